// Tips of instruments as things that can be chosen and moved, and footprints of a lesion at them.
//
// A footprint is a way of looking: it is kept for this visit only and enters no decision.

import { post } from "./api.js";
import { button, h } from "./dom.js";

/** The number of the tip that a name stands for, from 0; null for a landmark. */
export function tipOf(name) {
  const found = /^tip (\d+)$/.exec(name ?? "");
  return found ? Number(found[1]) : null;
}

/** A place as it is kept: a hundred-thousandth of a pixel fine. */
export const rounded = (x, y) => [x, y].map((v) => Math.round(v * 1e5) / 1e5);

const RANGES = [
  ["width_mm", "across, mm"],
  ["length_mm", "along, mm"],
  ["projection_mm", "beyond the tip, mm"],
  ["elevation_deg", "out of the film's plane, degrees"],
];

export class Footprints extends EventTarget {
  /** `kinds` as in /api/start; off until a person turns them on. */
  constructor(session, kinds) {
    super();
    this.session = session;
    this.kinds = kinds ?? [];
    this.on = false;
    this.kind = this.kinds[0]?.kind;
    this.given = {};
    this.behind = {};
    this.found = null;
  }

  get shapes() {
    return this.on && this.found ? this.found.shapes : [];
  }

  #changed() {
    this.dispatchEvent(new Event("shown"));
  }

  async refresh() {
    const count = this.session.shown.found.instruments.length;
    if (count !== this.count) this.behind = {};
    this.count = count;
    if (!this.on || !count) {
      this.found = null;
      return;
    }
    this.turn = (this.turn ?? 0) + 1;
    const mine = this.turn;
    const { session } = this;
    try {
      const body = { changes: session.changes, lesion: { kind: this.kind, ...this.given }, behind: this.behind };
      const found = await post(`/api/footprints/${session.id}`, body);
      if (mine !== this.turn) return;
      this.found = found;
      this.trouble = null;
    } catch (error) {
      if (mine !== this.turn) return;
      this.found = null;
      this.trouble = error.message;
    }
    this.#changed();
  }

  #set(edit) {
    edit();
    if (!this.on) this.found = this.trouble = null;
    this.#changed();
    this.refresh();
  }

  setBehind(i, place) {
    this.#set(() => (this.behind = { ...this.behind, [i]: place }));
  }

  /** The fields and what they gave; `mark(i)` lets a person point at the shaft behind tip i. */
  section(mark) {
    const { session } = this;
    if (!session.shown.found.instruments.length || !this.kinds.length) return null;
    const id = (name) => `f-${name}`;
    const show = h("input", { type: "checkbox", id: id("on"), checked: this.on, dataset: { focus: id("on") }, onchange: () => this.#set(() => (this.on = show.checked)) });
    const parts = [h("p", {}, show, h("label", { for: id("on") }, " Show a lesion's footprint at each tip, looking back; never a plan"))];
    if (this.on) parts.push(this.#fields(id), this.#told(mark));
    return h("div", { class: "footprints", role: "group", "aria-label": "Lesion footprints" }, parts);
  }

  #fields(id) {
    const kind = h("select", { id: id("kind"), dataset: { focus: id("kind") }, onchange: () => this.#set(() => ((this.kind = kind.value), (this.given = {}))) }, this.kinds.map((each) => h("option", { value: each.kind, selected: each.kind === this.kind }, each.kind)));
    const known = this.kinds.find((each) => each.kind === this.kind);
    const usual = { ...known, elevation_deg: known?.elevation_deg[this.session.shown.view.name] };
    const number = (name, end, words, value, usually) => {
      const field = h("input", {
        type: "number",
        id: id(`${name}-${end}`),
        class: "short",
        min: 0,
        max: 90,
        step: 0.5,
        value: value ?? "",
        placeholder: usually ?? "",
        "aria-label": words,
        dataset: { focus: id(`${name}-${end}`) },
        onchange: () => this.#give(name, id),
      });
      return field;
    };
    const rows = RANGES.map(([name, words]) => {
      const value = this.given[name];
      return h("div", { class: "field" }, h("span", {}, words), h("span", { class: "pair" }, number(name, 0, `least ${words}`, value?.[0], usual?.[name]?.[0]), " to ", number(name, 1, `most ${words}`, value?.[1], usual?.[name]?.[1])));
    });
    const scale = this.session.shown.scale.mm_per_px_knee;
    if (!scale) {
      const field = h("input", { type: "number", id: id("scale"), class: "short", min: 0.01, max: 5, step: 0.001, value: this.given.mm_per_px ?? "", dataset: { focus: id("scale") }, onchange: () => this.#set(() => (field.value ? (this.given.mm_per_px = Number(field.value)) : delete this.given.mm_per_px)) });
      rows.push(h("div", { class: "field" }, h("label", { for: id("scale") }, "mm at the knee per pixel"), field));
    }
    return h("div", { class: "fields" }, h("div", { class: "field" }, h("label", { for: id("kind") }, "kind"), kind), rows);
  }

  #give(name, id) {
    const [least, most] = [0, 1].map((end) => document.getElementById(id(`${name}-${end}`)).value);
    if (least === "" && most === "") this.#set(() => delete this.given[name]);
    // One number means that it is known.
    else this.#set(() => (this.given[name] = [Number(least === "" ? most : least), Number(most === "" ? least : most)]));
  }

  #told(mark) {
    if (this.trouble) return h("p", { class: "warn", role: "alert" }, this.trouble);
    const { found } = this;
    if (!found) return h("p", { class: "quiet" }, "Looking.");
    if (found.why) return h("p", { class: "quiet" }, found.why);
    const lines = found.shapes.map((each, i) => h("li", { "data-test": `footprint-${i}` }, each.words, " ", button(each.marked ? "Direction marked" : each.ahead ? "Correct its direction" : "Mark its direction", { kind: "quiet", label: `Direction of tip ${i + 1}`, onclick: () => mark(i) })));
    return [h("p", {}, h("strong", {}, found.caution)), h("ul", { class: "plain" }, lines), h("ul", { class: "plain quiet small" }, found.about.map((words) => h("li", {}, words)))];
  }
}
