// One exercise: look, say what is off, choose moves, take the next film.

import { call, get, post } from "/page/api.js";
import { button, clear, h, toast } from "/page/dom.js";
import { setKeys, sheet } from "/page/keys.js";
import { numeral, t } from "/page/language.js";
import { FilmStage } from "./film.js";
import { SolidView } from "./solid.js";

const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
const NAMED = { rotation: t("Rotation"), tilt: t("Tilt"), centring: t("Centring") };

async function filmOf(response) {
  const levels = new Uint16Array(await response.arrayBuffer());
  const [rows, columns, number] = ["x-rows", "x-columns", "x-number"].map((name) => Number(response.headers.get(name)));
  if (levels.length !== rows * columns) throw new Error(t("the film came incomplete"));
  return { levels, rows, columns, number };
}

export class Play {
  constructor(round, app) {
    this.round = round;
    this.app = app;
    this.films = [];
    this.explained = new Map();
    this.advice = new Map();
    this.shown = 0;
    this.busy = false;
    this.closed = false;
    this.stage = new FilmStage();
    this.solid = new SolidView();
    this.build();
  }

  async start() {
    await this.film(call(`/api/rounds/${this.round.id}/film`));
    this.keys();
    this.clock();
    this.main.focus();
  }

  close() {
    this.closed = true;
    clearInterval(this.ticking);
    this.solid.close();
  }

  // ---- the page

  build() {
    const { round } = this;
    this.tabs = h("div", { class: "row film-tabs", role: "group", "aria-label": t("Films") });
    this.clockBox = h("span", { class: "clock", role: "timer" });
    this.count = h("span", { class: "count" });
    this.outlines = button(t("Outlines"), { keys: "O", pressed: true, kind: "small", onclick: () => this.toggleOutlines() });
    const range = (id, words) => {
      const input = h("input", { type: "range", id, min: -1, max: 1, step: 0.05, value: 0, oninput: () => this.window() });
      return [h("label", { for: id }, words), input];
    };
    this.invert = h("input", { type: "checkbox", id: "invert", onchange: () => this.window() });
    const tools = h(
      "div",
      { class: "row film-tools" },
      range("bright", t("Brightness")),
      range("contrast", t("Contrast")),
      h("label", { class: "check" }, this.invert, t("Invert")),
      h("span", { class: "space" }),
      this.outlines,
    );
    this.main = h("section", { class: "film-part", "aria-label": t("Film"), tabindex: -1 }, h("div", { class: "row film-top" }, this.tabs, h("span", { class: "space" }), this.clockBox, this.count), this.stage.element, tools);
    this.asked = h("div", {
      class: "ask",
      onkeydown: (event) => {
        // A field keeps Enter to itself otherwise; here it means: done, take the film.
        if (event.key !== "Enter" || event.repeat || !event.target.matches("input")) return;
        event.preventDefault();
        this.expose();
      },
    });
    this.told = h("section", { class: "told", "aria-label": t("Explanation"), "aria-live": "polite" });
    this.element = h(
      "div",
      { class: "play" },
      this.main,
      h(
        "section",
        { class: "controls", "aria-label": t("Your turn") },
        h("h1", {}, round.title),
        h("p", { class: "quiet small" }, t("Square on means both angles within {n}°.", { n: numeral(round.rules.tolerance_deg) }), " ", round.level ? [t("Level {n}.", { n: round.level }), " "] : "", round.group ? `${round.group}. ` : "", t("Exercise code"), " ", h("code", {}, round.code)),
        round.say ? h("p", { class: "say" }, round.say) : null,
        this.asked,
      ),
      this.told,
    );
    this.ask();
    this.tell();
  }

  /** What is off, and the moves. */
  ask() {
    const { round } = this;
    const pick = (name, title, options) => {
      const id = `say-${name}`;
      return h(
        "div",
        { class: "field" },
        h("label", { for: id }, title),
        h("select", { id, dataset: { say: name } }, h("option", { value: "" }, t("not said")), options.map(([value, words]) => h("option", { value }, words))),
      );
    };
    const says = round.questions.map((q) => pick(q.name, q.title, [["plus", q.plus], ["fine", t("fine")], ["minus", q.minus]]));
    says.push(pick("centring", NAMED.centring, [["off", t("the knee lies off centre")], ["fine", t("fine")]]));
    const groups = { beam: t("Turn the beam"), limb: t("or the limb"), centring: t("Centre") };
    const moves = Object.entries(groups).map(([group, words]) =>
      h("fieldset", { class: "moves" }, h("legend", {}, words), round.choices.filter((c) => c.group === group).map((choice) => this.mover(choice))),
    );
    clear(
      this.asked,
      h("h2", {}, "1  ", t("What is off?")),
      h("div", { class: "says" }, says),
      h("h2", {}, "2  ", t("Your moves")),
      moves,
      h(
        "div",
        { class: "row do" },
        button(t("Take the film"), { keys: "Enter", kind: "primary", onclick: () => this.expose() }),
        button(t("It is square on"), { keys: "S", onclick: () => this.claim() }),
        button(t("End"), { kind: "quiet", onclick: () => this.stop() }),
      ),
    );
  }

  mover(choice) {
    const most = choice.unit === "mm" ? 60 : 30;
    const id = `move-${choice.name}`;
    const unit = choice.unit === "mm" ? " mm" : "°";
    const words = h("span", { class: "way", id: `${id}-way` }, "–");
    const number = h("input", { type: "number", id: `${id}-number`, min: -most, max: most, step: choice.unit === "mm" ? 1 : 0.5, value: 0, "aria-label": t("{title}, {unit}; positive: {plus}", { title: choice.what, unit: choice.unit === "mm" ? "mm" : t("degrees"), plus: choice.plus }), dataset: { move: choice.name } });
    const slider = h("input", { type: "range", id, min: -most, max: most, step: 1, value: 0, "aria-label": t("{title}: right {plus}, left {minus}", { title: choice.what, plus: choice.plus, minus: choice.minus }), "aria-describedby": `${id}-way` });
    const told = (value) => {
      words.textContent = value === 0 ? "–" : `${numeral(Math.abs(value))}${unit} ${value > 0 ? choice.plus : choice.minus}`;
    };
    slider.addEventListener("input", () => {
      number.value = slider.value;
      told(Number(slider.value));
    });
    number.addEventListener("input", () => {
      const value = Math.min(most, Math.max(-most, Number(number.value) || 0));
      slider.value = value;
      told(value);
    });
    return h("div", { class: "mover" }, h("span", { class: "title" }, choice.title), words, number, h("div", { class: "slide" }, h("span", { class: "end", "aria-hidden": "true" }, choice.minus), slider, h("span", { class: "end", "aria-hidden": "true" }, choice.plus)));
  }

  answer() {
    const said = {};
    for (const select of this.asked.querySelectorAll("[data-say]")) if (select.value) said[select.dataset.say] = select.value;
    return said;
  }

  moves() {
    const made = {};
    for (const input of this.asked.querySelectorAll("[data-move]")) {
      const value = Number(input.value);
      if (value) made[input.dataset.move] = value;
    }
    return made;
  }

  reset() {
    for (const select of this.asked.querySelectorAll("[data-say]")) select.value = "";
    for (const input of this.asked.querySelectorAll("[data-move]")) {
      input.value = 0;
      input.dispatchEvent(new Event("input"));
    }
  }

  keys() {
    setKeys([
      { keys: ["Enter"], words: t("take the film"), group: t("Exercise"), run: () => this.expose() },
      { keys: ["s"], words: t("it is square on"), group: t("Exercise"), run: () => this.claim() },
      { keys: ["o"], words: t("outlines on and off"), group: t("Film"), run: () => this.toggleOutlines() },
      { keys: ["i"], words: t("invert the film"), group: t("Film"), run: () => this.invert.click() },
      { keys: ["["], words: t("the film before"), group: t("Film"), run: () => this.pick(this.shown - 1) },
      { keys: ["]"], words: t("the film after"), group: t("Film"), run: () => this.pick(this.shown + 1) },
      { keys: ["?"], words: t("this sheet"), run: () => sheet() },
    ]);
  }

  // ---- playing

  /** Shows the film that a call brings, and says when it was painted. */
  async film(asked) {
    const film = await filmOf(await asked);
    this.films[film.number] = film;
    this.shown = film.number;
    this.stage.show(film, t("{view} film {n}, invented", { view: this.app.start.views[this.round.view], n: film.number + 1 }));
    this.stage.outline(null);
    this.head();
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    this.element.dataset.films = this.films.length;
    if (this.round.rules.explain === "at once") this.explain(film.number);
  }

  async expose() {
    if (this.busy || this.round.ended) return;
    const began = performance.now();
    const moves = this.moves();
    if (!Object.keys(moves).length) {
      toast(t("Choose at least one move first, or say that the film is square on."), { kind: "warn" });
      return;
    }
    if (this.films.length >= this.round.rules.most) {
      toast(t("All films are taken: say whether this one is square on, or end."), { kind: "warn" });
      return;
    }
    await this.working(async () => {
      const before = this.films.length - 1;
      await this.film(this.send("expose", { answer: this.answer(), moves }));
      performance.measure("click to film", { start: began, end: performance.now() });
      this.reset();
      if (this.round.rules.explain === "after each film") this.explain(before);
    });
  }

  send(what, body) {
    return call(`/api/rounds/${this.round.id}/${what}`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  }

  async claim() {
    if (this.busy || this.round.ended) return;
    await this.working(async () => {
      const found = await post(`/api/rounds/${this.round.id}/claim`, { answer: this.answer() });
      Object.assign(this.round, found);
      if (found.ended) this.end();
      else toast(t("Not within the tolerance yet. Look again: which edges should lie on one another?"), { kind: "warn" });
    });
  }

  async stop(late = false) {
    if (this.busy || this.round.ended) return;
    await this.working(async () => {
      Object.assign(this.round, await post(`/api/rounds/${this.round.id}/stop`, { time_is_up: late }));
      this.end();
    });
  }

  async working(work) {
    this.busy = true;
    this.element.setAttribute("aria-busy", "true");
    try {
      await work();
    } catch (error) {
      toast(error.message, { kind: "warn", last: 0 });
    } finally {
      this.busy = false;
      this.element.removeAttribute("aria-busy");
    }
  }

  end() {
    clearInterval(this.ticking);
    this.clockBox.textContent = "";
    const { record, ending } = this.round;
    clear(
      this.asked,
      h("div", { class: `result ${record.solved ? "yes" : "no"}`, role: "status" }, h("h2", {}, ending.title), ending.lines.map((line) => h("p", {}, line))),
      h("p", { class: "small" }, t("Share this exercise:"), " ", h("code", {}, this.round.code), " ", button(t("Copy"), { kind: "small", onclick: () => this.copy() })),
      h("div", { class: "row do" }, button(t("Next exercise"), { keys: "N", kind: "primary", onclick: () => this.app.next(this.round) }), button(t("Same again"), { onclick: () => this.app.again(this.round) }), button(t("Overview"), { onclick: () => this.app.home() })),
    );
    setKeys([
      { keys: ["n"], words: t("next exercise"), group: t("Exercise"), run: () => this.app.next(this.round) },
      { keys: ["o"], words: t("outlines on and off"), group: t("Film"), run: () => this.toggleOutlines() },
      { keys: ["["], words: t("the film before"), group: t("Film"), run: () => this.pick(this.shown - 1) },
      { keys: ["]"], words: t("the film after"), group: t("Film"), run: () => this.pick(this.shown + 1) },
      { keys: ["?"], words: t("this sheet"), run: () => sheet() },
    ]);
    this.explained.delete(this.films.length - 1); // it now also says what was right
    this.pick(this.films.length - 1);
    this.asked.querySelector("button.primary").focus();
  }

  async copy() {
    await navigator.clipboard?.writeText(this.round.code);
    toast(t("The code is copied."));
  }

  clock() {
    this.ends = this.round.seconds_left === null ? null : performance.now() + 1000 * this.round.seconds_left;
    if (this.ends === null) return;
    const tick = () => {
      const left = Math.max(0, Math.ceil((this.ends - performance.now()) / 1000));
      this.clockBox.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
      this.clockBox.setAttribute("aria-label", t("{n} seconds left", { n: left }));
      if (left === 0) this.stop(true);
    };
    tick();
    this.ticking = setInterval(tick, 500);
  }

  // ---- looking back

  head() {
    const last = this.films.length - 1;
    clear(
      this.tabs,
      this.films.map((film, n) => button(t("Film {n}", { n: n + 1 }), { kind: "small", pressed: n === this.shown, onclick: () => this.pick(n) })),
    );
    this.count.textContent = this.round.ended ? "" : t("film {n} of at most {m}", { n: last + 1, m: this.round.rules.most });
  }

  pick(n) {
    if (n < 0 || n >= this.films.length) return;
    this.shown = n;
    this.stage.show(this.films[n], t("{view} film {n}, invented", { view: this.app.start.views[this.round.view], n: n + 1 }));
    this.outlineNow();
    this.head();
    if (this.mayExplain(n)) this.explain(n);
  }

  mayExplain(n) {
    const { explain } = this.round.rules;
    return this.round.ended || explain === "at once" || (explain === "after each film" && n < this.films.length - 1);
  }

  toggleOutlines() {
    const on = this.outlines.getAttribute("aria-pressed") !== "true";
    this.outlines.setAttribute("aria-pressed", String(on));
    this.outlineNow();
  }

  outlineNow() {
    const on = this.outlines.getAttribute("aria-pressed") === "true";
    this.stage.outline(on ? this.explained.get(this.shown)?.outlines : null);
  }

  window() {
    const value = (id) => Number(this.main.querySelector(id).value);
    this.stage.setWindow(value("#bright"), value("#contrast"), this.invert.checked);
  }

  async explain(n) {
    try {
      if (!this.explained.has(n)) this.explained.set(n, await get(`/api/rounds/${this.round.id}/explain/${n}`));
      if (!this.bones) {
        this.bones = await get(`/api/rounds/${this.round.id}/solids`);
        this.solid.load(this.bones, this.round.side === "left", this.round.view);
      }
    } catch (error) {
      toast(error.message, { kind: "warn" });
      return;
    }
    if (this.closed) return;
    this.outlineNow();
    this.tell(n);
    if (this.app.advice && (this.round.ended || n < this.films.length - 1)) this.ask_reader(n);
  }

  tell(n) {
    const found = this.explained.get(n);
    if (!found) {
      const when = { "at once": t("It comes with the film:"), "after each film": t("It comes once you have chosen your moves:"), "at the end": t("It comes at the end:") }[this.round.rules.explain];
      clear(this.told, h("h2", {}, t("Explanation")), h("p", { class: "quiet" }, when, " ", t("the angles, the condyles on the film, bone and beam in three dimensions, and what the reader says.")));
      return;
    }
    this.solid.show(found.scene, this.round.view);
    const { judged } = found;
    const marks = judged
      ? Object.entries(judged)
          .filter(([, each]) => each.right !== null)
          .map(([name, each]) => h("li", { class: each.right ? "right" : "wrong" }, h("span", { "aria-hidden": "true" }, each.right ? "✓ " : "✗ "), each.right ? t("{angle} right", { angle: NAMED[name] }) : t("{angle} not right", { angle: NAMED[name] })))
      : null;
    this.reader = h("div", { class: "reader" });
    clear(
      this.told,
      h("h2", {}, t("Film {n}:", { n: n + 1 }), " ", found.square ? h("span", { class: "yes" }, t("square on")) : h("span", { class: "no" }, t("not square on"))),
      this.solid.element,
      h("ul", { class: "plain" }, found.words.map((words) => h("li", {}, words))),
      marks?.length ? h("div", {}, h("h3", {}, t("What you named")), h("ul", { class: "plain marks" }, marks)) : null,
      found.made ? h("div", {}, h("h3", {}, t("You chose")), list(found.made, t("nothing"))) : null,
      h("div", {}, h("h3", {}, t("It needed, of the beam alone")), list(found.needed, t("no move"))),
      this.reader,
    );
    this.readerSays(n);
  }

  async ask_reader(n) {
    for (let tries = 0; tries < 120 && !this.closed && !["ready", "failed", "off"].includes(this.advice.get(n)?.state); tries++) {
      if (tries) await pause(500);
      try {
        this.advice.set(n, await get(`/api/rounds/${this.round.id}/advice/${n}`));
      } catch {
        return;
      }
      this.readerSays(n);
    }
  }

  readerSays(n) {
    const found = this.advice.get(n);
    if (!this.reader || !found || this.reader.isConnected === false) return;
    const title = h("h3", {}, t("The reader says"));
    if (found.state === "reading") clear(this.reader, title, h("p", { class: "quiet" }, t("is still reading")));
    else if (found.state === "failed") clear(this.reader, title, h("p", { class: "quiet" }, t("could not read this film")));
    else if (found.state === "ready") {
      const near = (name) => {
        const [low, high] = found[`${name}_90`].map(signed);
        return t("{value}° (90 %: {low} to {high})", { value: signed(found[`${name}_deg`]), low, high });
      };
      const led = found.followed;
      clear(
        this.reader,
        title,
        found.refused || found.rotation_deg === null
          ? h("p", {}, t("Refused: {why}", { why: found.refused ?? t("no knee in this view") }))
          : [h("p", {}, t("Rotation {rotation}, tilt {tilt}; square on: {square}.", { rotation: near("rotation"), tilt: near("tilt"), square: found.square })), list(found.moves, t("no move suggested"))],
        led
          ? h("p", {}, t("Followed, it would have led to rotation {rotation}°, tilt {tilt}°:", { rotation: signed(led.rotation_deg), tilt: signed(led.tilt_deg) }), " ", h("strong", {}, led.square ? t("square on") : t("not square on")))
          : null,
        h("p", { class: "quiet small" }, t("A proposal for human review; it may be wrong.")),
      );
    } else clear(this.reader);
  }
}

const signed = (value) => `${value < 0 ? "−" : "+"}${numeral(Math.abs(value), 1)}`;
const list = (lines, none) => (lines.length ? h("ul", { class: "plain" }, lines.map((line) => h("li", {}, line))) : h("p", {}, none));

