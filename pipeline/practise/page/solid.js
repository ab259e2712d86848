// Bone and beam in three dimensions: a small rasteriser with a depth buffer on a 2-D canvas, so
// that it looks the same on every computer, with or without a graphics processor.

import { button, clear, h } from "/page/dom.js";
import { t } from "/page/language.js";

const REACH = 205; // mm from the knee's middle to the edge of the view
const EYE = 1400; // mm from the eye to the knee's middle
const KINDS = [
  [214, 205, 186],
  [47, 149, 196],
  [226, 132, 38],
  [150, 158, 168],
];
const VIEWS = {
  front: { words: t("From the front"), turn: 0, rise: 8 },
  side: { words: t("From the lateral side"), turn: 90, rise: 8 },
  head: { words: t("From the head"), turn: 0, rise: 80 },
};

export class SolidView {
  constructor() {
    this.canvas = h("canvas", { class: "solid", tabindex: 0, role: "img", "aria-label": t("Bone and beam; arrow keys turn the view") });
    this.names = h("div", { class: "solid-names", "aria-hidden": "true" });
    this.buttons = h(
      "div",
      { class: "row solid-views", role: "group", "aria-label": t("View of bone and beam") },
      Object.entries(VIEWS).map(([name, view]) => button(view.words, { kind: "small", onclick: () => this.look(name) })),
      button(t("Along the beam"), { kind: "small", onclick: () => this.along() }),
    );
    this.element = h("div", { class: "solid-box" }, h("div", { class: "solid-stage" }, this.canvas, this.names), this.buttons);
    this.turn = 35;
    this.rise = 12;
    this.canvas.addEventListener("pointerdown", (event) => this.drag(event));
    this.canvas.addEventListener("keydown", (event) => this.key(event));
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(this.canvas);
  }

  close() {
    this.watch.disconnect();
  }

  /** `parts` from the server; a left knee is a right one in the mirror. */
  load(parts, left, view) {
    this.flip = left ? -1 : 1;
    // Askew to the beam, so that it is seen from the side.
    this.turn = (view === "AP" ? 62 : 24) * this.flip;
    this.parts = parts.map((part) => {
      const xyz = Float32Array.from(part.vertices);
      for (let i = 2; i < xyz.length; i += 3) xyz[i] *= this.flip;
      const faces = Uint32Array.from(part.faces);
      return { xyz, faces, kinds: Uint8Array.from(part.kinds), light: normals(xyz, faces) };
    });
    this.draw();
  }

  /** The beam of a film, as the server tells it; `view` AP or lateral. */
  show(scene, view) {
    this.scene = scene;
    this.view = view;
    this.canvas.setAttribute("aria-label", view === "AP" ? t("Bone and beam of an AP film; arrow keys turn the view") : t("Bone and beam of a lateral film; arrow keys turn the view"));
    this.draw();
  }

  look(name) {
    this.turn = VIEWS[name].turn * (name === "side" ? (this.flip ?? 1) : 1);
    this.rise = VIEWS[name].rise;
    this.draw();
  }

  along() {
    if (!this.scene) return;
    const [x, y, z] = this.mirrored(this.scene.ray);
    this.turn = (Math.atan2(z, x) * 180) / Math.PI;
    this.rise = (Math.asin(y) * 180) / Math.PI;
    this.draw();
  }

  drag(event) {
    const start = { x: event.clientX, y: event.clientY, turn: this.turn, rise: this.rise };
    this.canvas.setPointerCapture(event.pointerId);
    const move = (e) => {
      this.turn = start.turn - (e.clientX - start.x) * 0.4;
      this.rise = Math.min(89, Math.max(-89, start.rise + (e.clientY - start.y) * 0.4));
      this.draw();
    };
    const end = () => {
      this.canvas.removeEventListener("pointermove", move);
      this.canvas.removeEventListener("pointerup", end);
      this.canvas.removeEventListener("pointercancel", end);
    };
    this.canvas.addEventListener("pointermove", move);
    this.canvas.addEventListener("pointerup", end);
    this.canvas.addEventListener("pointercancel", end);
  }

  key(event) {
    const step = { ArrowLeft: [5, 0], ArrowRight: [-5, 0], ArrowUp: [0, 5], ArrowDown: [0, -5] }[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    this.turn += step[0];
    this.rise = Math.min(89, Math.max(-89, this.rise + step[1]));
    this.draw();
  }

  mirrored = ([x, y, z]) => [x, y, z * (this.flip ?? 1)];

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.paint();
    });
  }

  paint() {
    const box = this.canvas.getBoundingClientRect();
    if (!this.parts || box.width < 20) return;
    const ratio = Math.min(window.devicePixelRatio || 1, 1.5);
    const size = [Math.round(box.width * ratio), Math.round(box.height * ratio)];
    if (this.canvas.width !== size[0] || this.canvas.height !== size[1]) [this.canvas.width, this.canvas.height] = size;
    const eye = this.eye(...size);
    const context = this.canvas.getContext("2d", { alpha: false });
    const style = getComputedStyle(this.element);
    const ground = rgb(style.getPropertyValue("--solid-ground"));
    const picture = context.createImageData(...size);
    const out = new Uint32Array(picture.data.buffer).fill(0xff000000 | (ground[2] << 16) | (ground[1] << 8) | ground[0]);
    const depth = new Float32Array(out.length).fill(Infinity);
    for (const part of this.parts) fill(part, eye, size, out, depth);
    context.putImageData(picture, 0, 0);
    if (this.scene) this.lines(context, eye, ratio, style);
  }

  /** World to pixels and depth for the present view. */
  eye(columns, rows) {
    const [t, r] = [(this.turn * Math.PI) / 180, (this.rise * Math.PI) / 180];
    // Turn 0 looks from the front (x), 90 from z; the way up is y.
    const back = [Math.cos(t) * Math.cos(r), Math.sin(r), Math.sin(t) * Math.cos(r)];
    const right = [Math.sin(t), 0, -Math.cos(t)];
    const up = [
      back[1] * right[2] - back[2] * right[1],
      back[2] * right[0] - back[0] * right[2],
      back[0] * right[1] - back[1] * right[0],
    ];
    const middle = this.scene ? this.mirrored(this.scene.middle) : [0, 0, 0];
    const scale = (Math.min(columns, rows) / 2 / REACH) * EYE;
    return (x, y, z) => {
      const p = [x - middle[0], y - middle[1], z - middle[2]];
      const dot = (v) => p[0] * v[0] + p[1] * v[1] + p[2] * v[2];
      const far = Math.max(EYE - dot(back), 50);
      return [columns / 2 + (scale * dot(right)) / far, rows / 2 - (scale * dot(up)) / far, far];
    };
  }

  lines(context, eye, ratio, style) {
    const { scene } = this;
    const at = (p) => eye(...this.mirrored(p));
    const colour = (name) => style.getPropertyValue(name).trim();
    const stroke = (points, name, width, dash = []) => {
      context.beginPath();
      points.map(at).forEach(([x, y], i) => (i ? context.lineTo(x, y) : context.moveTo(x, y)));
      context.strokeStyle = colour(name);
      context.lineWidth = width * ratio;
      context.setLineDash(dash.map((d) => d * ratio));
      context.stroke();
    };
    const away = (from, to, mm) => {
      const d = to.map((v, i) => v - from[i]);
      const n = Math.hypot(...d);
      return from.map((v, i) => v + (d[i] / n) * Math.min(mm, n));
    };
    const names = [];
    // The edges of the beam, from the receptor as far toward the tube as the view reaches.
    for (const corner of scene.corners) stroke([corner, away(corner, scene.source, 620)], "--solid-beam", 1, [5, 4]);
    stroke([...scene.corners, scene.corners[0]], "--solid-beam", 1.5);
    names.push([t("receptor"), at(scene.corners[0])]);
    const tip = (direction, mm) => scene.middle.map((v, i) => v + direction[i] * mm);
    stroke([tip(scene.square, -110), tip(scene.square, 150)], "--solid-square", 2.5, [8, 5]);
    stroke([tip(scene.ray, -110), tip(scene.ray, 150)], "--solid-ray", 3);
    arrow(context, at(tip(scene.ray, 135)), at(tip(scene.ray, 160)), colour("--solid-ray"), ratio);
    arrow(context, at(tip(scene.square, 135)), at(tip(scene.square, 160)), colour("--solid-square"), ratio);
    const near = this.view === "AP" ? t("beam now, front end") : t("beam now, lateral end");
    const middle = at(scene.middle);
    names.push([near, at(tip(scene.ray, 164)), middle], [t("square on"), at(tip(scene.square, 164)), middle]);
    stroke(scene.condylar_axis, "--solid-axis", 2);
    const [medial, lateral] = scene.condylar_axis;
    names.push([t("medial"), at(medial), middle], [t("lateral"), at(lateral), middle]);
    place(this.names, names, ratio, this.canvas.width / ratio, this.canvas.height / ratio);
  }
}

function arrow(context, from, to, colour, ratio) {
  const angle = Math.atan2(to[1] - from[1], to[0] - from[0]);
  context.setLineDash([]);
  context.beginPath();
  context.moveTo(to[0], to[1]);
  for (const side of [2.6, -2.6]) context.lineTo(to[0] + 12 * ratio * Math.cos(angle + side), to[1] + 12 * ratio * Math.sin(angle + side));
  context.closePath();
  context.fillStyle = colour;
  context.fill();
}

/** Names at their places, kept inside the view and off one another. */
function place(box, names, ratio, width, height) {
  const taken = [];
  const em = parseFloat(getComputedStyle(box).fontSize);
  clear(
    box,
    names.map(([words, [x, y], from]) => {
      const half = words.length * 0.29 * em + 0.7 * em;
      // Beyond the end of its line, so that the line stays in sight.
      const way = from ? [x - from[0], y - from[1]] : [0, 0];
      const size = Math.hypot(...way) || 1;
      const ahead = [x / ratio + (way[0] / size) * (half + 4), y / ratio + (way[1] / size) * 1.2 * em];
      let [left, top] = [Math.min(Math.max(ahead[0], half), width - half), Math.min(Math.max(ahead[1], em), height - em)];
      while (taken.some(([a, b, w]) => Math.abs(a - left) < half + w && Math.abs(b - top) < 1.6 * em)) top = top > height - 2 * em ? em : top + 4;
      taken.push([left, top, half]);
      const name = h("span", {}, words);
      name.style.left = `${left}px`;
      name.style.top = `${top}px`;
      return name;
    }),
  );
}

function rgb(text) {
  const found = text.trim().match(/^#(\w\w)(\w\w)(\w\w)$/);
  return found ? found.slice(1).map((part) => parseInt(part, 16)) : [240, 240, 240];
}

/** Unit normals of vertices, flat. */
function normals(xyz, faces) {
  const out = new Float32Array(xyz.length);
  for (let f = 0; f < faces.length; f += 3) {
    const [i, j, k] = [3 * faces[f], 3 * faces[f + 1], 3 * faces[f + 2]];
    const [ax, ay, az] = [xyz[j] - xyz[i], xyz[j + 1] - xyz[i + 1], xyz[j + 2] - xyz[i + 2]];
    const [bx, by, bz] = [xyz[k] - xyz[i], xyz[k + 1] - xyz[i + 1], xyz[k + 2] - xyz[i + 2]];
    const n = [ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx];
    for (const at of [i, j, k]) for (let c = 0; c < 3; c++) out[at + c] += n[c];
  }
  for (let i = 0; i < out.length; i += 3) {
    const size = Math.hypot(out[i], out[i + 1], out[i + 2]) || 1;
    for (let c = 0; c < 3; c++) out[i + c] /= size;
  }
  return out;
}

/** Fills a part's triangles where they lie in front of what is there. */
function fill(part, eye, [columns, rows], out, depth) {
  const { xyz, faces, kinds, light } = part;
  const count = xyz.length / 3;
  const seen = new Float32Array(3 * count);
  const shade = new Float32Array(count);
  const from = eye(0, 0, 0);
  const toward = [0, 1, 2].map((axis) => {
    // How fast depth changes along each axis tells where the eye is.
    const step = [0, 0, 0];
    step[axis] = 1;
    return from[2] - eye(...step)[2];
  });
  for (let n = 0; n < count; n++) {
    const p = eye(xyz[3 * n], xyz[3 * n + 1], xyz[3 * n + 2]);
    seen.set(p, 3 * n);
    // A mirrored knee has its faces inside out: the light falls on both sides of them.
    shade[n] = 0.35 + 0.65 * Math.abs(light[3 * n] * toward[0] + light[3 * n + 1] * toward[1] + light[3 * n + 2] * toward[2]);
  }
  for (let f = 0; f < faces.length; f += 3) {
    const [i, j, k] = [faces[f], faces[f + 1], faces[f + 2]];
    const [p, q, r] = [3 * i, 3 * j, 3 * k];
    const x0 = seen[p];
    const y0 = seen[p + 1];
    const x1 = seen[q];
    const y1 = seen[q + 1];
    const x2 = seen[r];
    const y2 = seen[r + 1];
    const area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0);
    if (area === 0) continue;
    const left = Math.max(0, Math.ceil(Math.min(x0, x1, x2)));
    const right = Math.min(columns - 1, Math.floor(Math.max(x0, x1, x2)));
    const top = Math.max(0, Math.ceil(Math.min(y0, y1, y2)));
    const bottom = Math.min(rows - 1, Math.floor(Math.max(y0, y1, y2)));
    const [red, green, blue] = KINDS[kinds[i] === kinds[j] ? kinds[i] : kinds[k]];
    for (let y = top; y <= bottom; y++) {
      for (let x = left; x <= right; x++) {
        const a = ((x1 - x) * (y2 - y) - (x2 - x) * (y1 - y)) / area;
        const b = ((x2 - x) * (y0 - y) - (x0 - x) * (y2 - y)) / area;
        const c = 1 - a - b;
        if (a < -1e-4 || b < -1e-4 || c < -1e-4) continue;
        const z = a * seen[p + 2] + b * seen[q + 2] + c * seen[r + 2];
        const at = y * columns + x;
        if (z >= depth[at]) continue;
        depth[at] = z;
        const l = a * shade[i] + b * shade[j] + c * shade[k];
        out[at] = 0xff000000 | ((blue * l) << 16) | ((green * l) << 8) | (red * l);
      }
    }
  }
}
