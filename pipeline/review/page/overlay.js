// What is drawn over the film: outline, ellipses, landmarks, proposals, the nerve zone.
//
// Meaning never hangs on colour alone. Landmarks: a square is medial, a circle lateral, a diamond
// neither; a cross inside marks a fixed point of the bone, a dot a point of the outline; a person's
// own is filled and has a ring. Proposals: a kite or a bar with its 90 % circle, dashed where the
// film may not be square. The nerve zone is hatched and says its name.

import { s } from "./dom.js";
import { codeOf, plain, sideOf } from "./words.js";

const NINETY = 2.1460;
const FIXED = new Set([
  "adductor_tubercle",
  "medial_plateau_anterior",
  "medial_plateau_posterior",
  "lateral_plateau_anterior",
  "lateral_plateau_posterior",
  "medial_spine",
  "lateral_spine",
  "fibular_head",
]);

const SHAPE = {
  medial: "M-5.5 -5.5H5.5V5.5H-5.5Z",
  lateral: "M0 -6.2A6.2 6.2 0 1 1 -0.01 -6.2Z",
  middle: "M0 -7.4L7.4 0L0 7.4L-7.4 0Z",
};

export class Overlay {
  /** `on`: {placing(), select(name), start(name), move(name, x, y), end(name)}; places are film pixels. */
  constructor(stage, on) {
    this.stage = stage;
    this.on = on;
    this.svg = s("svg", { class: "overlay", role: "group", "aria-label": "Landmarks and proposals" });
    this.hatch = s(
      "pattern",
      { id: "hatch", width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
      s("path", { d: "M0 0V9", class: "hatch" }),
    );
    this.plane = s("g", { class: "plane" });
    this.marks = s("g", { class: "marks" });
    this.tags = s("g", { class: "tags" });
    this.top = s("g", { class: "marks" });
    // Words lie over the small marks, the chosen mark over all.
    this.svg.append(s("defs", {}, this.hatch), this.plane, this.marks, this.tags, this.top);
    this.spots = new Map();
    this.tips = new Map();
    this.footprints = [];
    this.labels = true;
    stage.addEventListener("view", () => this.place());
    stage.setOver(this.svg);
  }

  setShown(shown) {
    this.svg.classList.toggle("off", !shown);
  }

  /**
   * `reading` as in readings.jsonl; `drawn` = {outline, fitted}; `placed`: name to place of the
   * landmarks a person put down and `tips` the places of instruments, both of which may be ahead
   * of `reading` while one is dragged; `footprints` = [{inner, outer}].
   */
  update(reading, drawn, placed, selected, tips = [], footprints = []) {
    this.reading = reading;
    this.drawn = drawn;
    this.footprints = footprints;
    this.#plane();
    this.#tags(tips, selected);
    const seen = reading.landmarks.filter((mark) => mark.seen && mark.x !== null);
    const at = (mark) => placed[mark.name] ?? [mark.x, mark.y];
    const key = JSON.stringify([selected, seen.map((mark) => [mark.name, Boolean(placed[mark.name])])]);
    // While a mark is dragged only places change: the marks themselves stay.
    if (key === this.key) for (const mark of seen) this.spots.get(mark.name).place = at(mark);
    else this.#marks(seen, at, placed, selected);
    this.key = key;
    for (const name of Object.keys(placed)) if (placed[name]) this.shift(name, ...placed[name]);
    this.place();
  }

  // ---- in film pixels

  #plane() {
    const { reading, drawn } = this;
    const line = (points) => points.map(([x, y]) => `${x + 0.5} ${y + 0.5}`).join("L");
    const parts = [];
    for (const warning of reading.warnings) {
      const d = `M${line(warning.polygon)}Z`;
      parts.push(s("path", { d, class: "zone" }, s("title", {}, warning.name)));
    }
    for (const [bone, points] of Object.entries(drawn.outline)) {
      if (!points.length) continue;
      const d = `M${line(points)}Z`;
      parts.push(s("path", { d, class: "outline under" }), s("path", { d, class: `outline ${bone}` }));
    }
    for (const mark of reading.landmarks) {
      if (!mark.seen || mark.x === null || mark.sd_major === null) continue;
      const turn = `translate(${mark.x + 0.5} ${mark.y + 0.5}) rotate(${mark.sd_angle_deg ?? 0})`;
      parts.push(
        s("ellipse", {
          class: "doubt",
          rx: Math.max(mark.sd_major * NINETY, 0.3),
          ry: Math.max(mark.sd_minor * NINETY, 0.3),
          transform: turn,
          "data-name": mark.name,
        }),
      );
    }
    for (const proposal of reading.proposals) {
      if (!proposal.points.length) continue;
      const dashed = proposal.why ? " dashed" : "";
      const [first, last] = [proposal.points[0], proposal.points.at(-1)];
      const middle = [(first[0] + last[0]) / 2 + 0.5, (first[1] + last[1]) / 2 + 0.5];
      if (proposal.radius_90_px) {
        parts.push(s("circle", { class: `reach${dashed}`, cx: middle[0], cy: middle[1], r: proposal.radius_90_px }));
      }
      if (proposal.shape === "band") {
        const d = `M${line(proposal.points)}`;
        parts.push(s("path", { class: "band under", d }), s("path", { class: `band${dashed}`, d }));
      }
    }
    for (const each of this.footprints) {
      for (const [name, points] of [["outer", each.outer], ["inner", each.inner]]) {
        if (!points.length) continue;
        const d = `M${line(points)}Z`;
        parts.push(s("path", { d, class: "footprint under" }), s("path", { d, class: `footprint ${name}` }));
      }
    }
    this.plane.replaceChildren(...parts);
  }

  // ---- in screen pixels

  #tags(tips, selected) {
    const { reading } = this;
    const parts = [];
    const keep = document.activeElement?.closest?.(".tip-mark")?.dataset.name;
    this.tips.clear();
    for (const warning of reading.warnings) {
      const low = warning.polygon.reduce((a, b) => (b[1] > a[1] ? b : a));
      parts.push(this.#spot(low[0], low[1], s("text", { class: "tag zone-tag", x: 6, y: 16 }, `keep away: ${warning.name}`)));
    }
    for (const proposal of reading.proposals) {
      if (!proposal.points.length) continue;
      const [first, last] = [proposal.points[0], proposal.points.at(-1)];
      const kite = proposal.shape === "point" ? s("path", { class: `kite${proposal.why ? " dashed" : ""}`, d: "M0 -10L6 0L0 10L-6 0Z" }) : null;
      const words = `proposal: ${proposal.target}${proposal.why ? " (uncertain)" : ""}`;
      parts.push(
        this.#spot((first[0] + last[0]) / 2, (first[1] + last[1]) / 2, kite, s("text", { class: "tag proposal-tag", x: 12, y: -10 }, words)),
      );
    }
    const ahead = tips.length === reading.found.instruments.length;
    for (const [index, tip] of reading.found.instruments.entries()) {
      const spot = this.#tip(index, ahead ? tips[index] : tip.tip, selected === `tip ${index}`);
      this.tips.set(`tip ${index}`, spot);
      parts.push(spot);
    }
    this.tags.replaceChildren(...parts);
    if (keep) this.tips.get(keep)?.focus({ preventScroll: true });
  }

  #tip(index, [x, y], selected) {
    const name = `tip ${index}`;
    const spot = this.#spot(
      x,
      y,
      s("circle", { class: "grip", r: 12, cy: -5 }),
      s("path", { class: "tip", d: "M0 0L-5 -13L5 -13Z" }),
      selected ? s("path", { class: "aim", d: "M-26 0H-9M9 0H26M0 9V26M0 -26V-15" }) : null,
      s("text", { class: "tag tip-tag", x: 9, y: -8 }, `tip ${index + 1}`),
    );
    spot.setAttribute("class", `tip-mark${selected ? " selected" : ""}`);
    spot.setAttribute("role", "button");
    spot.setAttribute("tabindex", "0");
    spot.setAttribute("aria-label", `tip ${index + 1} of an instrument, x ${x.toFixed(2)}, y ${y.toFixed(2)}`);
    if (selected) spot.setAttribute("aria-pressed", "true");
    spot.dataset.name = name;
    spot.addEventListener("pointerdown", (event) => this.#drag(event, name));
    spot.addEventListener("focus", () => this.on.select(name));
    return spot;
  }

  /** The mark of a landmark or a tip. */
  #markOf(name) {
    return this.spots.get(name) ?? this.tips.get(name);
  }

  #marks(seen, at, placed, selected) {
    const keep = document.activeElement?.closest?.(".landmark")?.dataset.name;
    this.spots.clear();
    this.middle = seen.reduce((sum, mark) => sum + mark.x / seen.length, 0);
    this.first = seen[0]?.name;
    this.chosen = seen.some((mark) => mark.name === selected);
    for (const mark of seen) {
      this.spots.set(mark.name, this.#landmark(mark, at(mark), Boolean(placed[mark.name]), mark.name === selected));
    }
    const top = this.spots.get(selected);
    this.marks.replaceChildren(...[...this.spots.values()].filter((spot) => spot !== top));
    this.top.replaceChildren(...(top ? [top] : []));
    if (keep) this.spots.get(keep)?.focus({ preventScroll: true });
  }

  #spot(x, y, ...children) {
    const group = s("g", {}, children);
    group.place = [x, y];
    return group;
  }

  #landmark(mark, [x, y], own, selected) {
    const side = sideOf(mark.name);
    const out = x < this.middle ? -1 : 1;
    const inner = FIXED.has(mark.name) ? "M-3.4 0H3.4M0 -3.4V3.4" : "M-0.6 0A0.6 0.6 0 1 1 0.6 0A0.6 0.6 0 1 1 -0.6 0";
    const doubt = own ? "placed by a person" : `uncertain by ${mark.sd_major.toFixed(1)} pixels`;
    const group = this.#spot(
      x,
      y,
      s("circle", { class: "grip", r: 12 }),
      own ? s("circle", { class: "ring", r: 10 }) : null,
      s("path", { class: "shape under", d: SHAPE[side] }),
      s("path", { class: "shape", d: SHAPE[side] }),
      s("path", { class: "inner", d: inner }),
      selected ? s("path", { class: "aim", d: "M-26 0H-12M12 0H26M0 -26V-12M0 12V26" }) : null,
      s("text", { class: "code", x: out * 10, y: 14, "text-anchor": out < 0 ? "end" : "start" }, selected ? plain(mark.name) : codeOf(mark.name)),
    );
    group.setAttribute("class", `landmark ${side}${own ? " own" : ""}${selected ? " selected" : ""}`);
    group.setAttribute("role", "button");
    group.setAttribute("tabindex", selected || (!this.chosen && mark.name === this.first) ? "0" : "-1");
    group.setAttribute(
      "aria-label",
      `${plain(mark.name)}, x ${x.toFixed(2)}, y ${y.toFixed(2)}, ${doubt}`,
    );
    if (selected) group.setAttribute("aria-pressed", "true");
    group.dataset.name = mark.name;
    group.addEventListener("pointerdown", (event) => this.#drag(event, mark.name));
    group.addEventListener("focus", () => this.on.select(mark.name));
    return group;
  }

  /** Moves one mark at once, before the server has answered. */
  shift(name, x, y) {
    const spot = this.#markOf(name);
    if (spot) {
      spot.place = [x, y];
      this.#put(spot);
    }
    const doubt = this.plane.querySelector(`[data-name="${name}"]`);
    doubt?.setAttribute("transform", `translate(${x + 0.5} ${y + 0.5})`);
  }

  #drag(event, name) {
    // While something is being placed a click on a mark is a click on the film.
    if (event.button !== 0 || event.altKey || this.on.placing()) return;
    event.preventDefault();
    event.stopPropagation();
    this.on.select(name);
    const { stage } = this;
    const spot = this.#markOf(name);
    const [startX, startY] = spot.place;
    let [lastU, lastV] = stage.at(event);
    let [x, y] = [startX, startY];
    let moving = false;
    const target = stage.element;
    target.setPointerCapture(event.pointerId);
    const move = (next) => {
      const [u, v] = stage.at(next);
      // With Shift the mark follows at a tenth of the pace.
      const pace = (next.shiftKey ? 0.1 : 1) / stage.pace;
      x += (u - lastU) * pace;
      y += (v - lastV) * pace;
      [lastU, lastV] = [u, v];
      if (!moving && Math.hypot(x - startX, y - startY) * stage.pace < 2) return;
      if (!moving) this.on.start(name);
      moving = true;
      this.shift(name, x, y);
      this.on.move(name, x, y);
    };
    const up = () => {
      target.removeEventListener("pointermove", move);
      target.removeEventListener("pointerup", up);
      target.removeEventListener("pointercancel", up);
      if (moving) this.on.end(name, x, y);
      this.#markOf(name)?.focus({ preventScroll: true });
    };
    target.addEventListener("pointermove", move);
    target.addEventListener("pointerup", up);
    target.addEventListener("pointercancel", up);
  }

  place() {
    // Marks grow with the page's own letters, so that they can be seen on a large screen.
    this.unit = parseFloat(getComputedStyle(document.documentElement).fontSize) / 14.5;
    const { scale, left, top } = this.stage.view;
    const { ratio } = this.stage;
    const k = scale / ratio;
    this.plane.setAttribute("transform", `matrix(${k} 0 0 ${k} ${left / ratio} ${top / ratio})`);
    this.hatch.setAttribute("patternTransform", `rotate(45) scale(${this.unit / k})`);
    for (const group of [this.marks, this.tags, this.top]) for (const spot of group.children) this.#put(spot);
  }

  #put(spot) {
    const [u, v] = this.stage.toScreen(...spot.place);
    spot.setAttribute("transform", `translate(${u.toFixed(2)} ${v.toFixed(2)}) scale(${this.unit ?? 1})`);
  }
}
