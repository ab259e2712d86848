// The film view: stage, overlay, panel and tools of one reading.

import { Away, film, get, me, post, Refused } from "./api.js";
import { button, clear, dialog, h, toast } from "./dom.js";
import { filmKeys, STEP } from "./filmkeys.js";
import { Footprints, rounded, tipOf } from "./instruments.js";
import { setKeys, sheet } from "./keys.js";
import { mergeView } from "./merge.js";
import { Overlay } from "./overlay.js";
import { Panel } from "./panel.js";
import { pyramid } from "./pixels.js";
import { draftOf, equal, NOTHING, Session } from "./session.js";
import { Stage } from "./stage.js";
import { lastList } from "./worklist.js";
import { plain, twin, when } from "./words.js";

const PAN = 60;
const films = new Map();

async function filmOf(id) {
  if (!films.has(id)) {
    films.set(
      id,
      film(id).then((found) => ({ ...found, copies: pyramid(found.levels, found.columns, found.rows) })),
    );
    films.get(id).catch(() => films.delete(id));
    // A film of nine million pixels takes 24 MB with its copies.
    while (films.size > 4) films.delete(films.keys().next().value);
  }
  return films.get(id);
}

export class FilmView {
  constructor(id, start, app) {
    this.id = id;
    this.start_ = start;
    this.app = app;
    this.shown = true;
    this.element = h("section", { class: "film-view", "aria-label": "Film" });
  }

  async start() {
    const [session, pixels] = await Promise.all([Session.open(this.id), filmOf(this.id)]);
    if (this.closed) return;
    this.session = session;
    const plainPainter = new URLSearchParams(location.search).get("painter") === "plain";
    this.stage = new Stage({ plain: plainPainter });
    this.overlay = new Overlay(this.stage, {
      placing: () => Boolean(session.placing),
      select: (name) => this.select(name),
      start: () => {
        session.begin();
        session.dragging = true;
      },
      move: (name, x, y) => this.#put(name, x, y, true),
      end: (name, x, y) => {
        session.dragging = false;
        this.#put(name, x, y, true);
      },
    });
    this.footprints = new Footprints(session, this.start_.lesions);
    this.footprints.addEventListener("shown", () => this.update());
    this.panel = new Panel(session, this.start_.tolerance_deg, this.#acts());
    this.tools = h("div", { class: "tools", role: "toolbar", "aria-label": "Film tools" });
    this.hint = h("p", { class: "hint", role: "status" });
    this.title = h("h1", {}, session.name);
    this.element.append(
      h("div", { class: "film-side" }, h("div", { class: "film-head" }, this.#way(), this.title, this.tools), this.stage.element, this.hint),
      this.panel.element,
    );
    this.stage.addEventListener("view", () => this.#readout());
    this.stage.addEventListener("window", () => this.#readout());
    this.stage.addEventListener("tap", (event) => this.#tap(event.detail));
    session.addEventListener("shown", () => {
      this.update();
      this.footprints.refresh();
    });
    session.addEventListener("working", () => this.element.setAttribute("aria-busy", String(session.busy)));
    session.addEventListener("failed", (event) => this.#failed(event.detail));
    this.#tools();
    this.stage.show(pixels);
    this.update();
    setKeys(filmKeys(this));
    await this.#restore();
    this.#ahead();
    this.stage.element.focus({ preventScroll: true });
  }

  close() {
    this.closed = true;
    this.stage?.close();
  }

  /** Warms up the next film of the list, so that it is there at once. */
  #ahead() {
    const next = lastList.ids[lastList.ids.indexOf(this.id) + 1];
    if (next) setTimeout(() => get(`/api/reading/${next}`).then(() => filmOf(next)).catch(() => {}), 600);
  }

  async #restore() {
    const draft = draftOf(this.id);
    if (!draft) return;
    const { session } = this;
    if (equal(draft.changes, session.changes)) {
      session.forget();
      return;
    }
    if (draft.revision !== session.revision) {
      toast("This reading was decided by someone else since you changed it; your draft is shown, decide again.", { last: 12000 });
    }
    session.replace(draft.changes);
    toast(`Your changes of ${when(draft.at)} were restored.`, { action: { words: "Discard them", run: () => this.discard() } });
  }

  update() {
    const { session } = this;
    this.overlay.update(session.shown, session.drawn, session.changes.landmarks, session.selected, this.#tipPlaces(), this.footprints.shapes);
    this.panel.update();
    this.element.dataset.revision = session.revision;
    this.element.dataset.state = session.state;
  }

  #failed(error) {
    if (error instanceof Away) toast("The server does not answer. Your changes are kept in this browser.", { kind: "warn", action: { words: "Try again", run: () => this.session.recompute() }, last: 0 });
    else toast(error.message, { kind: "warn" });
  }

  // ---- head

  #way() {
    const at = lastList.ids.indexOf(this.id);
    return h(
      "nav",
      { class: "way", "aria-label": "Readings" },
      button("Worklist", { keys: "W", kind: "quiet", onclick: () => this.app.list() }),
      button("‹", { label: "Previous reading", keys: "P", kind: "quiet", disabled: at <= 0, onclick: () => this.step(-1) }),
      button("›", { label: "Next reading", keys: "N", kind: "quiet", disabled: at < 0 || at + 1 >= lastList.ids.length, onclick: () => this.step(1) }),
      button("Series", { keys: "G", kind: "quiet", onclick: () => this.app.series(this.id) }),
    );
  }

  step(by) {
    const next = lastList.ids[lastList.ids.indexOf(this.id) + by];
    if (next && lastList.ids.includes(this.id)) this.app.film(next);
    else toast(by > 0 ? "That was the last reading of the list." : "That was the first reading of the list.");
  }

  #tools() {
    const range = (id, words, name) => {
      const field = h("input", { type: "range", id, min: -20, max: 120, step: 0.1, oninput: () => this.#slide() });
      this[name] = field;
      return h("label", { class: "slide", for: id }, words, field);
    };
    this.zoomed = h("output", { class: "zoomed", "aria-label": "Zoom" });
    this.toggles = {
      invert: button("Invert", { keys: "I", pressed: false, onclick: () => this.invert() }),
      overlay: button("Overlay", { keys: "O", pressed: true, onclick: () => this.toggle() }),
      lens: button("Magnifier", { keys: "M", pressed: false, onclick: () => this.lens() }),
    };
    clear(
      this.tools,
      button("Fit", { keys: "F", onclick: () => this.stage.fit() }),
      button("1:1", { keys: "1", onclick: () => this.stage.zoom(1) }),
      button("Knee", { keys: "K", onclick: () => this.knee(), title: "Fit the knee" }),
      this.zoomed,
      Object.values(this.toggles),
      h("span", { class: "slides" }, range("w-low", "dark", "low"), range("w-high", "bright", "high"), button("Auto", { keys: "C", onclick: () => this.stage.auto(), title: "Window from the film's own grey levels" })),
      button("Keys", { keys: "?", kind: "quiet", onclick: () => sheet() }),
    );
  }

  #slide() {
    const [low, high] = [Number(this.low.value), Number(this.high.value)].map((v) => (v / 100) * 65535);
    if (high - low < 16) return;
    this.stage.setWindow(low, high);
  }

  #readout() {
    const { scale } = this.stage.view;
    this.zoomed.value = scale === 1 ? "1:1" : scale > 1 ? `${scale.toFixed(scale < 10 ? 1 : 0)} : 1` : `${Math.round(100 * scale)} %`;
    const { low, high } = this.stage.window;
    this.low.value = (100 * low) / 65535;
    this.high.value = (100 * high) / 65535;
    this.low.setAttribute("aria-valuetext", `${Math.round((100 * low) / 65535)} % of the film's range`);
    this.high.setAttribute("aria-valuetext", `${Math.round((100 * high) / 65535)} % of the film's range`);
  }

  invert() {
    this.stage.invert();
    this.toggles.invert.setAttribute("aria-pressed", String(this.stage.window.inverted));
  }

  toggle() {
    this.shown = !this.shown;
    this.overlay.setShown(this.shown);
    this.toggles.overlay.setAttribute("aria-pressed", String(this.shown));
  }

  lens() {
    this.stage.setMagnifier(!this.stage.magnify);
    this.toggles.lens.setAttribute("aria-pressed", String(this.stage.magnify));
  }

  knee() {
    const box = this.session.shown.knee.box;
    if (box) this.stage.fit(box);
    else this.stage.fit();
  }

  // ---- landmarks

  select(name, look = false) {
    const { session } = this;
    if (session.selected !== name) {
      session.selected = name;
      this.update();
    }
    if (name) {
      const mark = session.shown.landmarks.find((each) => each.name === name);
      if (mark?.seen && look) {
        this.stage.centre(mark.x, mark.y);
        this.overlay.spots.get(name)?.focus({ preventScroll: true });
      }
    }
  }

  /** The next or previous landmark that is seen. */
  walk(by) {
    const names = this.session.shown.landmarks.filter((mark) => mark.seen).map((mark) => mark.name);
    if (!names.length) return;
    const chosen = names.indexOf(this.session.selected);
    const at = chosen < 0 && by < 0 ? 0 : chosen;
    this.select(names[(at + by + names.length) % names.length], true);
  }

  /** Places of all tips, those that were read included. */
  #tipPlaces() {
    return this.session.changes.instruments ?? this.session.original.found.instruments.map((each) => each.tip);
  }

  #place(name) {
    const { session } = this;
    if (tipOf(name) !== null) return this.#tipPlaces()[tipOf(name)];
    const own = session.changes.landmarks[name];
    if (own) return own;
    const mark = session.shown.landmarks.find((each) => each.name === name);
    return mark?.seen ? [mark.x, mark.y] : null;
  }

  #put(name, x, y, live = false) {
    const tip = tipOf(name);
    if (tip !== null) this.#tips((tips) => tips.map((place, k) => (k === tip ? rounded(x, y) : place)), live);
    else this.session.change((changes) => (changes.landmarks[name] = rounded(x, y)), { live });
    this.overlay.shift(name, x, y);
  }

  nudge(dx, dy) {
    const name = this.session.selected;
    const place = name && this.#place(name);
    if (!place) {
      this.stage.pan(-dx * (PAN / STEP), -dy * (PAN / STEP));
      return;
    }
    this.#put(name, place[0] + dx, place[1] + dy);
  }

  notVisible(name = this.session.selected) {
    if (!name) {
      toast("Choose a landmark first: [ and ] walk through them.");
      return;
    }
    if (tipOf(name) !== null) {
      this.removeTip(tipOf(name));
      return;
    }
    this.session.change((changes) => (changes.landmarks[name] = null));
    toast(`${plain(name)}: not visible.`, { action: { words: "Undo", keys: "Z", run: () => this.undo() } });
    this.session.selected = null;
    this.stage.element.focus({ preventScroll: true });
  }

  add(name) {
    this.session.placing = name;
    this.#say(`Click where ${plain(name)} lies; Enter takes the fitted knee's place, Escape leaves it.`);
  }

  async addMissing() {
    const missing = this.session.shown.landmarks.filter((mark) => !mark.seen).map((mark) => mark.name);
    if (!missing.length) {
      toast("No landmark of this view is missing.");
      return;
    }
    const name = await dialog("Which landmark?", (done) => h("ul", { class: "plain choose" }, missing.map((each) => h("li", {}, button(plain(each), { onclick: () => done(each) })))));
    if (name) this.add(name);
  }

  markTip() {
    this.session.placing = "tip";
    this.#say("Click on the instrument's tip; Escape leaves it.");
  }

  removeTip(i) {
    if (tipOf(this.session.selected) !== null) this.session.selected = null;
    this.#tips((tips) => tips.filter((_, k) => k !== i));
    toast(`Tip ${i + 1} is removed.`, { action: { words: "Undo", keys: "Z", run: () => this.undo() } });
    this.stage.element.focus({ preventScroll: true });
  }

  markDirection(i) {
    this.session.placing = `behind ${i}`;
    this.#say(`Click on the shaft of tip ${i + 1}, well behind the tip; Escape leaves it.`);
  }

  #say(words) {
    clear(this.hint, words);
    this.stage.element.classList.toggle("placing", Boolean(words));
    this.panel.update();
  }

  #tap({ x, y }) {
    const { placing } = this.session;
    if (placing) this.#placeAt(x, y);
    else if (this.session.selected) this.select(null);
  }

  #placeAt(x, y) {
    const name = this.session.placing;
    this.session.placing = null;
    this.#say("");
    if (name === "tip") this.#tips((tips) => [...tips, rounded(x, y)]);
    else if (name.startsWith("behind ")) this.footprints.setBehind(Number(name.slice(7)), rounded(x, y));
    else {
      this.session.selected = name;
      this.#put(name, x, y);
    }
  }

  /** Changes the list of all tips, those that were read included. */
  #tips(edit, live = false) {
    const { session } = this;
    const read = session.original.found.instruments.map((each) => each.tip);
    const change = (changes) => {
      const tips = edit(changes.instruments ?? read);
      changes.instruments = equal(tips, read) ? null : tips;
    };
    session.change(change, { live });
  }

  enter() {
    const { placing } = this.session;
    const fitted = placing && this.session.drawn.fitted[placing];
    if (fitted) this.#placeAt(...fitted);
  }

  escape() {
    if (this.session.placing) {
      this.session.placing = null;
      this.#say("");
    } else if (this.session.selected) {
      this.select(null);
      this.stage.element.focus({ preventScroll: true });
    } else this.app.list();
  }

  undo() {
    if (!this.session.undo()) toast("There is nothing to undo.");
  }

  discard() {
    this.session.replace(this.session.settled);
    toast("Your changes were discarded.", { action: { words: "Undo", keys: "Z", run: () => this.undo() } });
  }

  // ---- decisions

  #acts() {
    const { session } = this;
    return {
      who: () => me.name,
      role: () => me.role,
      view: (value) => session.change((changes) => Object.assign(changes, { view: value === session.original.view.name ? null : value, landmarks: {}, swap: false })),
      side: (value) => session.change((changes) => (changes.side = value === session.original.side.name ? null : value)),
      swap: () => this.swap(),
      select: (name, look) => this.select(name, look),
      notVisible: (name) => this.notVisible(name),
      add: (name) => this.add(name),
      reset: (name) => session.change((changes) => delete changes.landmarks[name]),
      markTip: () => this.markTip(),
      removeTip: (i) => this.removeTip(i),
      footprints: () => this.footprints.section((i) => this.markDirection(i)),
      tag: (tag, remove) => this.tag(tag, remove),
      accept: () => this.decide("accept"),
      reject: () => this.reject(),
      second: () => this.decide("second"),
      reopen: () => this.decide("reopen"),
      undo: () => this.undo(),
      discard: () => this.discard(),
      take: (changes) => session.replace({ ...NOTHING, ...changes }),
    };
  }

  swap() {
    this.session.change((changes) => {
      changes.swap = !changes.swap;
      const turned = {};
      for (const [name, place] of Object.entries(changes.landmarks)) turned[twin(name)] = place;
      // On an AP film the knee is looked at anew: old places mean nothing there.
      changes.landmarks = this.session.shown.view.name === "AP" ? {} : turned;
    });
    toast("Medial and lateral are exchanged.", { action: { words: "Undo", keys: "Z", run: () => this.undo() } });
  }

  async tag(tag, remove) {
    if (!(await this.app.knowWho())) return;
    try {
      const found = await post(`/api/tag/${this.id}`, { tag, remove });
      Object.assign(this.session, found);
      this.panel.update();
    } catch (error) {
      this.#failed(error);
    }
  }

  async reject() {
    const { session } = this;
    if (!(await this.app.knowWho())) return;
    const reason = await dialog("Reject this reading", (done) => {
      const field = h("textarea", { id: "reason", rows: 3, required: true, maxlength: 4000 });
      const common = ["another body part or view", "landmarks cannot be seen", "film too dark or too bright", "hardware hides the joint"];
      const send = (event) => {
        event.preventDefault();
        if (field.value.trim()) done(field.value.trim());
      };
      return h("form", { onsubmit: send }, h("label", { for: "reason" }, "Why? It is kept with the decision."), field, h("div", { class: "row wrap" }, common.map((words) => button(words, { kind: "quiet", onclick: () => ((field.value = words), field.focus()) }))), h("div", { class: "row end" }, button("Cancel", { onclick: () => done() }), h("button", { type: "submit", class: "primary" }, "Reject")));
    });
    if (reason) await this.decide("reject", reason, session);
  }

  async decide(kind, reason = "") {
    const { session } = this;
    if (this.deciding || !(await this.app.knowWho())) return;
    const open = ["proposed", "double", "adjudicate"].includes(session.state);
    if (kind !== "reopen" && !open && !session.over && me.role !== "second") {
      toast("This reading is decided already; undo the decision first.", { action: { words: "Undo the decision", keys: "U", run: () => this.decide("reopen") } });
      return;
    }
    this.deciding = true;
    this.element.classList.add("saving");
    let away = null;
    try {
      await session.settledDown();
      const found = await session.decide(kind, reason, () => (away ??= toast("The server does not answer. The decision is kept and sent again.", { kind: "warn", last: 0 })));
      away?.();
      this.#decided(kind, found);
    } catch (error) {
      away?.();
      if (error instanceof Refused && error.status === 409) await this.#merge(error.body.theirs);
      else this.#failed(error);
    } finally {
      this.deciding = false;
      this.element.classList.remove("saving");
    }
  }

  #decided(kind, found) {
    const { session } = this;
    const keep = kind === "reopen" ? null : session.selected;
    Object.assign(session, found);
    session.settled = structuredClone(session.changes);
    session.selected = keep;
    session.over = false;
    session.forget();
    this.update();
    const words = { accept: "Accepted", reject: "Rejected", reopen: "Opened again", second: "A second reading is wanted" }[kind];
    toast(`${words}: ${session.name}.`, kind === "reopen" ? {} : { action: { words: "Undo", keys: "U", run: () => this.decide("reopen") } });
    if (kind === "accept" || kind === "reject") {
      const next = lastList.ids[lastList.ids.indexOf(this.id) + 1];
      if (next && this.app.goOn()) this.app.film(next);
    }
  }

  async #merge(theirs) {
    const { session } = this;
    const chosen = await mergeView(session, theirs);
    if (chosen?.theirs) {
      session.forget();
      await this.app.reload();
      return;
    }
    if (!chosen) return;
    const fresh = await get(`/api/reading/${this.id}`);
    const { changes, ...rest } = fresh;
    Object.assign(session, rest);
    session.settled = structuredClone(changes);
    session.over = true;
    session.replace(chosen.changes);
    toast("Both versions are merged as you chose; accept it to set it above the earlier decision.", { last: 15000 });
  }
}
