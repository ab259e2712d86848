// The overview: who practises, which exercise, and how it went so far.

import { get } from "/page/api.js";
import { button, clear, h } from "/page/dom.js";
import { numeral, t } from "/page/language.js";
import { chart } from "./curve.js";

export class Home {
  constructor(app) {
    this.app = app;
    const { start, learner } = app;
    this.name = h("input", { id: "learner", value: learner.name, maxlength: 40, autocomplete: "off", onchange: () => this.named() });
    this.timed = h("input", { type: "checkbox", id: "timed", checked: learner.timed, onchange: () => app.setTimed(this.timed.checked) });
    this.view = h("select", { id: "view" }, [["", t("AP or lateral")], ...Object.entries(start.views)].map(([value, words]) => h("option", { value, selected: value === learner.view }, words)));
    this.view.addEventListener("change", () => app.setView(this.view.value));
    this.code = h("input", { id: "code", maxlength: 40, autocomplete: "off", spellcheck: "false" });
    this.past = h("section", { class: "card past", "aria-label": t("How it went") });
    const levels = start.levels.map((level) =>
      h(
        "li",
        {},
        button(`${level.number}  ${level.name}`, { kind: level.number === learner.level ? "primary" : "", onclick: () => this.go({ level: level.number, view: this.view.value }) }),
        h("p", { class: "small quiet" }, level.about, " ", level.seconds ? t("Within {n}°, {s} s with the clock.", { n: numeral(level.tolerance_deg), s: level.seconds }) : t("Within {n}°.", { n: numeral(level.tolerance_deg) })),
      ),
    );
    const sets = start.sets.map((set, group) =>
      h(
        "div",
        {},
        h("h3", {}, set.title),
        set.about ? h("p", { class: "small" }, set.about) : null,
        h("div", { class: "row" }, set.tasks.map((task, n) => button(`${n + 1}`, { title: [start.views[task.view], task.say].filter(Boolean).join(": "), label: t("Exercise {n} of {set}, {view}", { n: n + 1, set: set.title, view: start.views[task.view] }), onclick: () => this.go({ group, task: n }) }))),
      ),
    );
    this.element = h(
      "div",
      { class: "home" },
      h(
        "section",
        { class: "card", "aria-label": t("Exercises") },
        h("h1", {}, t("A square film in the fewest exposures")),
        h("p", {}, t("A virtual patient lies there and the first film is off. Say what is off, choose the moves with their degrees, take the next film. Nobody is X-rayed: every film is computed from a virtual knee.")),
        h("div", { class: "row" }, h("div", { class: "field" }, h("label", { for: "learner" }, t("Your name here (any; it need not be real)")), this.name), h("div", { class: "field" }, h("label", { for: "view" }, t("View")), this.view), h("label", { class: "check" }, this.timed, t("with the clock"))),
        h("h2", {}, t("Levels")),
        h("ol", { class: "plain levels" }, levels),
        h("form", { class: "row", onsubmit: (event) => this.byCode(event) }, h("div", { class: "field" }, h("label", { for: "code" }, t("An exercise's code")), this.code), h("button", { type: "submit" }, t("Begin"))),
        sets.length ? [h("h2", {}, t("From your teacher")), sets] : null,
      ),
      this.past,
    );
  }

  start() {
    return this.named();
  }

  async named() {
    this.app.setName(this.name.value);
    const { name } = this.app.learner;
    if (!name) {
      clear(this.past, h("h2", {}, t("How it went")), h("p", { class: "quiet" }, t("Choose a name and what you play is kept under it.")));
      return;
    }
    const { rounds, curve } = await get(`/api/learner?name=${encodeURIComponent(name)}`);
    if (this.app.learner.name !== name) return;
    if (!rounds.length) {
      clear(this.past, h("h2", {}, t("How it went")), h("p", { class: "quiet" }, t("Nothing is kept under “{name}” yet.", { name })));
      return;
    }
    const share = curve.named_right === null ? "–" : `${Math.round(100 * curve.named_right)} %`;
    const spare = curve.recent_spare_films === null ? "–" : numeral(curve.recent_spare_films, 1);
    const fact = (words, value) => h("div", {}, h("dt", {}, words), h("dd", {}, value));
    clear(
      this.past,
      h("h2", {}, t("How it went: {name}", { name })),
      h("dl", { class: "facts" }, fact(t("exercises"), curve.rounds), fact(t("square on"), curve.solved), fact(t("with the fewest films"), curve.at_once), fact(t("films too many, last five"), spare), fact(t("named right"), share)),
      chart(rounds),
      h(
        "div",
        { class: "scroll-x", tabindex: 0, role: "group", "aria-label": t("Last exercises") },
        h(
          "table",
          { class: "rounds" },
          h("caption", { class: "unseen" }, t("The last exercises, newest first")),
          h("thead", {}, h("tr", {}, [t("View"), t("Level"), t("Films"), t("Ended"), t("Named right"), t("Time"), t("Exercise code")].map((words) => h("th", { scope: "col" }, words)))),
          h("tbody", {}, rounds.slice(-12).reverse().map((row) => this.line(row))),
        ),
      ),
    );
  }

  line(row) {
    const ended = { square: t("square on"), stopped: t("ended"), time: t("time up"), films: t("no films left") }[row.ended];
    return h(
      "tr",
      {},
      h("td", {}, this.app.start.views[row.view]),
      h("td", { class: "number" }, row.level || row.group || t("code")),
      h("td", { class: "number" }, `${row.films} (${row.fewest})`),
      h("td", {}, ended),
      h("td", { class: "number" }, row.named ? t("{n} of {m}", { n: row.named_right, m: row.named }) : "–"),
      h("td", { class: "number" }, row.seconds === null ? "–" : `${Math.round(row.seconds)} s`),
      h("td", {}, button(row.code, { kind: "quiet small", label: t("Play {code} again", { code: row.code }), onclick: () => this.go({ code: row.code }) })),
    );
  }

  byCode(event) {
    event.preventDefault();
    this.go({ code: this.code.value });
  }

  go(what) {
    this.app.setName(this.name.value);
    if (!this.app.learner.name) {
      this.name.focus();
      this.app.say(t("Choose a name first; it need not be your own."));
      return;
    }
    this.app.play(what);
  }
}
