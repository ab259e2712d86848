// The overview: who practises, which exercise, and how it went so far.

import { get } from "/page/api.js";
import { button, clear, h } from "/page/dom.js";
import { chart } from "./curve.js";

export class Home {
  constructor(app) {
    this.app = app;
    const { start, learner } = app;
    this.name = h("input", { id: "learner", value: learner.name, maxlength: 40, autocomplete: "off", onchange: () => this.named() });
    this.timed = h("input", { type: "checkbox", id: "timed", checked: learner.timed, onchange: () => app.setTimed(this.timed.checked) });
    this.view = h("select", { id: "view" }, [["", "AP or lateral"], ["AP", "AP"], ["lateral", "lateral"]].map(([value, words]) => h("option", { value, selected: value === learner.view }, words)));
    this.view.addEventListener("change", () => app.setView(this.view.value));
    this.code = h("input", { id: "code", maxlength: 40, autocomplete: "off", spellcheck: "false" });
    this.past = h("section", { class: "card past", "aria-label": "How it went" });
    const levels = start.levels.map((level) =>
      h(
        "li",
        {},
        button(`${level.number}  ${level.name}`, { kind: level.number === learner.level ? "primary" : "", onclick: () => this.go({ level: level.number, view: this.view.value }) }),
        h("p", { class: "small quiet" }, level.about, ` Within ${level.tolerance_deg}°`, level.seconds ? `, ${level.seconds} s with the clock.` : "."),
      ),
    );
    const sets = start.sets.map((set, group) =>
      h(
        "div",
        {},
        h("h3", {}, set.title),
        set.about ? h("p", { class: "small" }, set.about) : null,
        h("div", { class: "row" }, set.tasks.map((task, n) => button(`${n + 1}`, { title: [task.view, task.say].filter(Boolean).join(": "), label: `Exercise ${n + 1} of ${set.title}, ${task.view}`, onclick: () => this.go({ group, task: n }) }))),
      ),
    );
    this.element = h(
      "div",
      { class: "home" },
      h(
        "section",
        { class: "card", "aria-label": "Exercises" },
        h("h1", {}, "A square film in the fewest exposures"),
        h("p", {}, "A virtual patient lies there and the first film is off. Say what is off, choose the moves with their degrees, take the next film. Nobody is X-rayed: every film is computed from a virtual knee."),
        h("div", { class: "row" }, h("div", { class: "field" }, h("label", { for: "learner" }, "Your name here (any; it need not be real)"), this.name), h("div", { class: "field" }, h("label", { for: "view" }, "View"), this.view), h("label", { class: "check" }, this.timed, "with the clock")),
        h("h2", {}, "Levels"),
        h("ol", { class: "plain levels" }, levels),
        h("form", { class: "row", onsubmit: (event) => this.byCode(event) }, h("div", { class: "field" }, h("label", { for: "code" }, "An exercise's code"), this.code), h("button", { type: "submit" }, "Begin")),
        sets.length ? [h("h2", {}, "From your teacher"), sets] : null,
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
      clear(this.past, h("h2", {}, "How it went"), h("p", { class: "quiet" }, "Choose a name and what you play is kept under it."));
      return;
    }
    const { rounds, curve } = await get(`/api/learner?name=${encodeURIComponent(name)}`);
    if (this.app.learner.name !== name) return;
    if (!rounds.length) {
      clear(this.past, h("h2", {}, "How it went"), h("p", { class: "quiet" }, `Nothing is kept under “${name}” yet.`));
      return;
    }
    const share = curve.named_right === null ? "–" : `${Math.round(100 * curve.named_right)} %`;
    const spare = curve.recent_spare_films === null ? "–" : curve.recent_spare_films.toFixed(1);
    const fact = (words, value) => h("div", {}, h("dt", {}, words), h("dd", {}, value));
    clear(
      this.past,
      h("h2", {}, `How it went: ${name}`),
      h("dl", { class: "facts" }, fact("exercises", curve.rounds), fact("square on", curve.solved), fact("with the fewest films", curve.at_once), fact("films too many, last five", spare), fact("named right", share)),
      chart(rounds),
      h(
        "div",
        { class: "scroll-x", tabindex: 0, role: "group", "aria-label": "Last exercises" },
        h(
          "table",
          { class: "rounds" },
          h("caption", { class: "unseen" }, "The last exercises, newest first"),
          h("thead", {}, h("tr", {}, ["View", "Level", "Films", "Ended", "Named right", "Time", "Code"].map((words) => h("th", { scope: "col" }, words)))),
          h("tbody", {}, rounds.slice(-12).reverse().map((row) => this.line(row))),
        ),
      ),
    );
  }

  line(row) {
    const ended = { square: "square on", stopped: "ended", time: "time up", films: "no films left" }[row.ended];
    return h(
      "tr",
      {},
      h("td", {}, row.view),
      h("td", { class: "number" }, row.level || row.group || "code"),
      h("td", { class: "number" }, `${row.films} (${row.fewest})`),
      h("td", {}, ended),
      h("td", { class: "number" }, row.named ? `${row.named_right} of ${row.named}` : "–"),
      h("td", { class: "number" }, row.seconds === null ? "–" : `${Math.round(row.seconds)} s`),
      h("td", {}, button(row.code, { kind: "quiet small", label: `Play ${row.code} again`, onclick: () => this.go({ code: row.code }) })),
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
      this.app.say("Choose a name first; it need not be your own.");
      return;
    }
    this.app.play(what);
  }
}
