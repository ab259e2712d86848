// Small helpers to build elements. Text always goes in as text, never as markup.

import { t } from "./language.js";

const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.setAttribute("class", value);
    else if (name === "value") element.value = value;
    else if (name === "dataset") Object.assign(element.dataset, value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat(3)) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child);
  }
  return element;
}

/** An HTML element: h("p", {class: "x"}, "words", other). */
export const h = (tag, attributes, ...children) =>
  fill(document.createElement(tag), attributes, children);

/** An SVG element. */
export const s = (tag, attributes, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

export function clear(element, ...children) {
  element.replaceChildren(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}

/** A key's name as a small cap. */
export const key = (name) => h("kbd", {}, name);

/** A button with words and, in small, the key that does the same. */
export function button(words, { onclick, keys, kind = "", title, pressed, disabled, label } = {}) {
  return h(
    "button",
    {
      type: "button",
      class: kind,
      onclick,
      title,
      disabled,
      "aria-label": label,
      "aria-pressed": pressed === undefined ? null : String(pressed),
      "aria-keyshortcuts": keys,
    },
    words,
    keys ? [" ", key(keys)] : null,
  );
}

/** A short notice at the bottom; `action` = {words, run}. */
export function toast(words, { action, kind = "", last = 8000 } = {}) {
  const place = document.getElementById("toasts");
  const note = h("div", { class: `toast ${kind}` }, h("span", {}, words));
  const close = () => note.remove();
  if (action) {
    note.append(
      button(action.words, {
        keys: action.keys,
        onclick: () => {
          close();
          action.run();
        },
      }),
    );
  }
  note.append(h("button", { type: "button", class: "quiet", "aria-label": t("Close notice"), onclick: close }, "×"));
  place.append(note);
  while (place.children.length > 3) place.firstChild.remove();
  if (last) setTimeout(close, last);
  return close;
}

/** A modal dialog; resolves with what `done(value)` was given, null when dismissed. */
export function dialog(title, build, { wide = false } = {}) {
  return new Promise((resolve) => {
    const id = `dialog-${Math.random().toString(36).slice(2)}`;
    const box = h("dialog", { "aria-labelledby": id, class: wide ? "wide" : "" });
    let value = null;
    const done = (answer = null) => {
      value = answer;
      box.close();
    };
    box.append(h("h2", { id }, title), build(done, box));
    box.addEventListener("close", () => {
      box.remove();
      resolve(value);
    });
    document.body.append(box);
    box.showModal();
  });
}
