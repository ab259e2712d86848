// The page: who is reading, which view is open, where the address leads.

import { get, me, post, Refused, takeToken } from "./api.js";
import { button, clear, dialog, h, toast } from "./dom.js";
import { FilmView } from "./filmview.js";
import { listen, setKeys, sheet } from "./keys.js";
import { seriesOf, seriesView } from "./series.js";
import { NEXT, theme } from "./theme.js";
import { ROLE } from "./words.js";
import { Worklist } from "./worklist.js";

const main = document.getElementById("main");
const top = document.getElementById("top");
let start = null;
let view = null;
let turn = 0;

const app = {
  list: () => go("#/"),
  film: (id) => go(`#/film/${id}`),
  series: (id) => go(`#/series/${id}`),
  reload: () => route(),
  knowWho: async () => (me.name ? true : who()),
  goOn: () => localStorage.getItem("squareon go on") === "yes",
};

function go(hash) {
  if (location.hash === hash) route();
  else location.hash = hash;
}

async function route() {
  const mine = ++turn;
  view?.close?.();
  view = null;
  setKeys([{ keys: ["?"], words: "this sheet", run: () => sheet() }]);
  const [, kind, number] = location.hash.match(/^#\/(?:(film|series)\/(\d+))?$/) ?? [];
  clear(main, h("p", { class: "wait", role: "status" }, "Loading"));
  document.body.dataset.view = kind ?? "list";
  try {
    if (kind === "series") {
      const found = await seriesOf(Number(number));
      if (mine !== turn) return;
      clear(main, seriesView(found, Number(number), app.film, app.list, start.tolerance_deg));
    } else {
      const next = kind === "film" ? new FilmView(Number(number), start, app) : new Worklist(app.film, undo);
      view = next;
      // The stage measures itself, so it must be on the page before the film is shown.
      clear(main, next.element);
      await next.start();
    }
  } catch (error) {
    if (mine !== turn) return;
    clear(
      main,
      h("section", { class: "trouble" }, h("h1", {}, "This cannot be shown"), h("p", {}, error.message), h("div", { class: "row" }, button("Try again", { onclick: route }), button("Worklist", { onclick: app.list }))),
    );
  }
}

async function undo(row) {
  try {
    const body = { expected_revision: row.revision, kind: "reopen", changes: {}, reason: "" };
    await post(`/api/decide/${row.id}`, body);
    toast(`Opened again: ${row.name}.`);
  } catch (error) {
    const late = error instanceof Refused && error.status === 409;
    toast(late ? "Someone else has just changed it; look at it first." : error.message, { kind: "warn" });
  }
}

// ---- who

async function who() {
  const answer = await dialog("Who reads?", (done) => {
    const names = start.reviewers;
    const field = names.length
      ? h("select", { id: "who" }, names.map((name) => h("option", { value: name, selected: name === me.name }, name)))
      : h("input", { id: "who", value: me.name, autocomplete: "off", maxlength: 120, required: true });
    const roles = Object.entries(ROLE).map(([value, words]) => {
      const id = `role-${value}`;
      return h("div", {}, h("input", { type: "radio", name: "role", id, value, checked: value === me.role }), h("label", { for: id }, ` ${words}`));
    });
    const form = h(
      "form",
      {
        onsubmit: (event) => {
          event.preventDefault();
          const name = field.value.trim();
          if (name) done({ name, role: form.querySelector("input[name=role]:checked").value });
        },
      },
      h("label", { for: "who" }, "Name, as your site writes it"),
      field,
      h("fieldset", {}, h("legend", {}, "Reads as"), roles),
      h("p", { class: "quiet small" }, "The name stands beside every decision in the store's history. A second reader does not see what the first one decided."),
      h("div", { class: "row end" }, button("Cancel", { onclick: () => done() }), h("button", { type: "submit", class: "primary" }, "That is me")),
    );
    return form;
  });
  if (!answer) return false;
  const changed = answer.role !== me.role;
  me.set(answer.name, answer.role);
  header();
  if (changed) route();
  else view?.panel?.update();
  return !changed;
}

// ---- head

function header() {
  const chosen = theme();
  const onward = h("input", {
    type: "checkbox",
    id: "go-on",
    checked: app.goOn(),
    onchange: () => localStorage.setItem("squareon go on", onward.checked ? "yes" : "no"),
  });
  clear(
    top,
    h("a", { class: "brand", href: "#/" }, h("img", { src: "/page/mark.svg", alt: "", width: 22, height: 22 }), "Squareon review"),
    start?.note ? h("strong", { class: "note" }, start.note) : null,
    h("span", { class: "space" }),
    h("label", { class: "check", for: "go-on" }, onward, " on to the next after a decision"),
    button(`Surroundings: ${chosen}`, {
      kind: "quiet",
      onclick: () => {
        theme(NEXT[chosen]);
        header();
      },
    }),
    button(me.name ? `${me.name}, ${ROLE[me.role]}` : "Say who you are", { kind: me.name ? "quiet" : "", onclick: who }),
    button("Keys", { kind: "quiet", keys: "?", onclick: () => sheet() }),
  );
}

async function begin() {
  theme();
  listen();
  if (!takeToken()) {
    clear(main, h("section", { class: "trouble" }, h("h1", {}, "A token is needed"), h("p", {}, "Open the whole address that squareon review printed, with what follows the #.")));
    return;
  }
  try {
    start = await get("/api/start");
  } catch (error) {
    clear(main, h("section", { class: "trouble" }, h("h1", {}, "The server does not let this page in"), h("p", {}, error.message), button("Try again", { onclick: begin })));
    return;
  }
  header();
  window.addEventListener("hashchange", route);
  await route();
  document.documentElement.dataset.ready = "yes";
}

begin();
