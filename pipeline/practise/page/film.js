// A film on a canvas: grey levels under a window, outlines with names on top.

import { clear, h, s } from "/page/dom.js";
import { t } from "/page/language.js";

const LEVELS = 65536;
const SIZE = 1000;
/** Per outline: its class, and where its name stands from its middle. */
const LOOK = {
  "medial condyle": { kind: "medial", way: [-1, 0.35] },
  "lateral condyle": { kind: "lateral", way: [1, 0.35] },
  patella: { kind: "patella", way: [0, -1] },
  "front rim of the plateau": { kind: "front", way: [-1, 0.05] },
  "back rim of the plateau": { kind: "back", way: [1, 0.05] },
};

/** Labels of lines that lie close together stand at different heights. */
const DROP = { front: 70, back: 110 };

export class FilmStage {
  constructor() {
    this.canvas = h("canvas", { class: "film", width: 768, height: 768, role: "img", "aria-label": t("no film yet") });
    this.over = s("svg", { class: "outlines", viewBox: `0 0 ${SIZE} ${SIZE}`, role: "img", "aria-label": t("no outlines") });
    this.element = h("div", { class: "film-stage" }, this.canvas, this.over);
    this.window = { low: 0, high: LEVELS - 1, inverted: false };
  }

  /** Puts a film on the canvas: {levels, rows, columns}. */
  show(film, label) {
    this.filmShown = film;
    if (this.canvas.width !== film.columns || this.canvas.height !== film.rows) {
      this.canvas.width = film.columns;
      this.canvas.height = film.rows;
      this.picture = null;
    }
    this.canvas.setAttribute("aria-label", label);
    this.draw();
  }

  draw() {
    const film = this.filmShown;
    if (!film) return;
    const context = this.canvas.getContext("2d", { alpha: false });
    this.picture ??= context.createImageData(film.columns, film.rows);
    const out = new Uint32Array(this.picture.data.buffer);
    const greys = this.table();
    const { levels } = film;
    for (let i = 0; i < levels.length; i++) out[i] = greys[levels[i]];
    context.putImageData(this.picture, 0, 0);
  }

  /** Level to opaque grey, as the four bytes of a pixel. */
  table() {
    const { low, high, inverted } = this.window;
    const key = `${low} ${high} ${inverted}`;
    if (this.tableOf !== key) {
      this.tableOf = key;
      this.greys = new Uint32Array(LEVELS);
      const width = Math.max(high - low, 1);
      for (let level = 0; level < LEVELS; level++) {
        let share = Math.min(Math.max((level - low) / width, 0), 1);
        if (inverted) share = 1 - share;
        const grey = Math.floor(share * 255 + 0.5);
        this.greys[level] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
      }
    }
    return this.greys;
  }

  /** Brightness and contrast from -1 to 1. */
  setWindow(brightness, contrast, inverted) {
    const half = ((LEVELS - 1) / 2) * 2 ** (-2 * contrast);
    const middle = (LEVELS - 1) * (0.5 - 0.4 * brightness);
    this.window = { low: middle - half, high: middle + half, inverted };
    this.draw();
  }

  /** Outlines as the server tells them, or none. */
  outline(found) {
    const film = this.filmShown;
    if (!film || !found?.length) {
      clear(this.over);
      this.over.setAttribute("aria-label", t("no outlines"));
      return;
    }
    const k = SIZE / film.columns;
    const on = ([x, y]) => [(x + 0.5) * k, (y + 0.5) * k];
    this.over.setAttribute("aria-label", t("Outlines: {names}", { names: found.map((each) => each.label).join(", ") }));
    clear(
      this.over,
      found.map((each) => {
        const { kind } = LOOK[each.name];
        const points = each.points.map(on).map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
        return [s(each.closed ? "polygon" : "polyline", { class: "halo", points }), s(each.closed ? "polygon" : "polyline", { class: `line ${kind}`, points })];
      }),
      found.map((each) => label(each, each.points.map(on))),
    );
  }
}

/** A name beside its outline, with a line to the place it is about. */
function label(outline, points) {
  const { kind, way } = LOOK[outline.name];
  let best = points[0];
  for (const p of points) if (p[0] * way[0] + p[1] * way[1] > best[0] * way[0] + best[1] * way[1]) best = p;
  const width = 12.5 * outline.label.length + 16;
  const x = Math.min(Math.max(best[0] + (width / 2 + 46) * way[0], width / 2 + 8), SIZE - width / 2 - 8);
  const y = Math.min(Math.max(best[1] + 62 * way[1] + (DROP[kind] ?? 0), 24), SIZE - 60);
  return s(
    "g",
    { class: `name ${kind}` },
    s("line", { x1: best[0], y1: best[1], x2: x, y2: y }),
    s("circle", { cx: best[0], cy: best[1], r: 5 }),
    s("rect", { x: x - width / 2, y: y - 17, width, height: 33, rx: 6 }),
    s("text", { x, y: y + 7, "text-anchor": "middle" }, outline.label),
  );
}
