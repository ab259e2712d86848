// Keys: one table per view, a sheet that lists it, and a switch that turns single keys off.

import { button, dialog, h, key } from "./dom.js";
import { t } from "./language.js";

const OFF = "squareon keys off";
let table = [];

export const keysOn = () => localStorage.getItem(OFF) !== "yes";

/** `bindings`: [{keys: ["f"], words, run, group, repeat}]; the first key is the one shown. */
export function setKeys(bindings) {
  table = bindings;
}

const typing = (target) =>
  target?.closest?.("input:not([type=range]):not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable]");

export function listen() {
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]")) return;
    if (typing(event.target) && event.key !== "Escape") return;
    const name = nameOf(event);
    const found = table.find((binding) => binding.keys.includes(name));
    if (!found) return;
    if (!keysOn() && name.length === 1 && name !== "?") return;
    // A focused button keeps Enter and the space bar to itself, a slider its arrows.
    const own = event.target.closest?.("button, a, summary, input");
    if (own && (name === "Enter" || name === " " || (own.matches("input") && name.startsWith("Arrow")))) return;
    if (event.repeat && !found.repeat) return;
    event.preventDefault();
    found.run(event);
  });
}

function nameOf(event) {
  let name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (event.shiftKey && event.key.startsWith("Arrow")) name = `Shift+${name}`;
  if (event.ctrlKey || event.metaKey) name = `Ctrl+${event.shiftKey ? "Shift+" : ""}${name}`;
  else if (event.altKey) name = `Alt+${name}`;
  return name;
}

const SHOWN = { " ": t("Space"), ArrowUp: "↑", ArrowDown: "↓", ArrowLeft: "←", ArrowRight: "→" };
export const shownKey = (name) =>
  name
    .split("+")
    .map((part) => SHOWN[part] ?? (part.length === 1 ? part.toUpperCase() : part))
    .join("+") || "+";

export function sheet() {
  const groups = new Map();
  for (const each of table.filter((binding) => binding.words)) {
    const group = each.group ?? t("General");
    groups.set(group, [...(groups.get(group) ?? []), each]);
  }
  return dialog(
    t("Keys"),
    (done) =>
      h(
        "div",
        {},
        h("div", { class: "row end" }, button(t("Close"), { onclick: () => done() })),
        h(
          "div",
          { class: "keysheet" },
          [...groups].map(([group, bindings]) =>
            h(
              "section",
              {},
              h("h3", {}, group),
              h(
                "dl",
                {},
                bindings
                  .map((each) => [
                    h("dt", {}, each.show ? key(each.show) : each.keys.slice(0, 2).map((name) => key(name === "+" ? "+" : shownKey(name)))),
                    h("dd", {}, each.words),
                  ]),
              ),
            ),
          ),
        ),
        h(
          "label",
          { class: "check" },
          h("input", {
            type: "checkbox",
            checked: keysOn(),
            onchange: (event) => localStorage.setItem(OFF, event.target.checked ? "no" : "yes"),
          }),
          " ", t("Single keys work (switch off for speech input)"),
        ),
      ),
    { wide: true },
  );
}
