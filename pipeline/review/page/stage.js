// The film on screen: where it lies, window and level, pan, zoom, magnifier.

import { clear, h } from "./dom.js";
import { painter, Plain, pyramid, spread } from "./pixels.js";

const MOST_ZOOM = 40;
const LENS_TIMES = 3;

export class Stage extends EventTarget {
  /** `plain`: draw with the processor. */
  constructor({ plain = false } = {}) {
    super();
    this.plain = plain;
    this.canvas = h("canvas", { class: "film", "aria-hidden": "true" });
    this.over = h("div", { class: "over" });
    this.lens = h("canvas", { class: "lens", hidden: true, "aria-hidden": "true" });
    this.element = h("div", { class: "stage", tabindex: "0", role: "group", "aria-label": "Film" }, this.canvas, this.over, this.lens);
    this.view = { scale: 1, left: 0, top: 0 };
    this.window = { low: 0, high: 65535, inverted: false };
    this.magnify = false;
    this.fitted = true;
    this.ratio = window.devicePixelRatio || 1;
    this.watch = new ResizeObserver(() => this.resized());
    this.watch.observe(this.element);
    this.#listen();
  }

  close() {
    this.watch.disconnect();
  }

  show({ levels, rows, columns, copies }) {
    this.film = { levels, rows, columns };
    this.copies = copies ?? pyramid(levels, columns, rows);
    ({ painter: this.painter, canvas: this.canvas } = painter(this.canvas, this.copies, this.plain));
    this.element.dataset.painter = this.painter.kind;
    this.lensPainter = new Plain(this.lens, { opaque: false });
    this.lensPainter.load(this.copies);
    this.auto();
    this.resized();
  }

  // ---- grey levels

  auto() {
    [this.window.low, this.window.high] = spread(this.film.levels);
    this.#windowed();
  }

  setWindow(low, high) {
    const least = 16;
    low = Math.min(Math.max(Math.round(low), -65535), 65535 - least);
    high = Math.max(Math.min(Math.round(high), 131070), low + least);
    [this.window.low, this.window.high] = [low, high];
    this.#windowed();
  }

  invert() {
    this.window.inverted = !this.window.inverted;
    this.#windowed();
  }

  #windowed() {
    this.dispatchEvent(new Event("window"));
    this.draw();
  }

  // ---- where the film lies

  resized() {
    this.ratio = window.devicePixelRatio || 1;
    const box = this.element.getBoundingClientRect();
    const [w, n] = [Math.max(1, Math.round(box.width * this.ratio)), Math.max(1, Math.round(box.height * this.ratio))];
    if (this.canvas.width !== w || this.canvas.height !== n) {
      this.canvas.width = w;
      this.canvas.height = n;
    }
    if (!this.film) return;
    if (this.fitted) this.fit();
    else this.moved();
  }

  fit(around = null) {
    const { columns, rows } = this.film;
    const [x0, y0, x1, y1] = around ?? [-0.5, -0.5, columns - 0.5, rows - 0.5];
    const scale = Math.min(this.canvas.width / (x1 - x0), this.canvas.height / (y1 - y0)) * 0.98;
    this.view.scale = Math.min(scale, MOST_ZOOM);
    this.view.left = this.canvas.width / 2 - ((x0 + x1) / 2 + 0.5) * this.view.scale;
    this.view.top = this.canvas.height / 2 - ((y0 + y1) / 2 + 0.5) * this.view.scale;
    this.fitted = around === null;
    this.moved();
  }

  /** Zoom so that the film's point under (x, y), device pixels, stays there. */
  zoom(scale, x = this.canvas.width / 2, y = this.canvas.height / 2) {
    const least = 0.5 * Math.min(this.canvas.width / this.film.columns, this.canvas.height / this.film.rows);
    scale = Math.min(Math.max(scale, Math.min(least, 1)), MOST_ZOOM);
    if (Math.abs(scale - 1) < 0.02) scale = 1;
    const factor = scale / this.view.scale;
    this.view.left = x - (x - this.view.left) * factor;
    this.view.top = y - (y - this.view.top) * factor;
    this.view.scale = scale;
    this.fitted = false;
    this.moved();
  }

  pan(dx, dy) {
    this.view.left += dx * this.ratio;
    this.view.top += dy * this.ratio;
    this.fitted = false;
    this.moved();
  }

  centre(x, y) {
    const [u, v] = this.toScreen(x, y);
    const box = this.element.getBoundingClientRect();
    const near = 60;
    if (u > near && v > near && u < box.width - near && v < box.height - near) return;
    this.pan(box.width / 2 - u, box.height / 2 - v);
  }

  moved() {
    const { view, film, canvas } = this;
    // Some of the film always stays in sight.
    const keep = 40;
    view.left = Math.min(Math.max(view.left, keep - film.columns * view.scale), canvas.width - keep);
    view.top = Math.min(Math.max(view.top, keep - film.rows * view.scale), canvas.height - keep);
    if (view.scale === 1) {
      // At 1:1 a film pixel is a screen pixel, not a mixture of four.
      view.left = Math.round(view.left);
      view.top = Math.round(view.top);
    }
    Object.assign(this.element.dataset, view);
    this.dispatchEvent(new Event("view"));
    this.draw();
  }

  /** Film pixel to CSS pixel of the stage. */
  toScreen(x, y) {
    const { scale, left, top } = this.view;
    return [((x + 0.5) * scale + left) / this.ratio, ((y + 0.5) * scale + top) / this.ratio];
  }

  /** CSS pixel of the stage to film pixel. */
  toFilm(u, v) {
    const { scale, left, top } = this.view;
    return [(u * this.ratio - left) / scale - 0.5, (v * this.ratio - top) / scale - 0.5];
  }

  /** CSS pixels per film pixel. */
  get pace() {
    return this.view.scale / this.ratio;
  }

  draw() {
    if (this.waiting || !this.painter) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.painter.draw(this.view, this.window);
      this.#lens();
    });
  }

  // ---- magnifier

  setMagnifier(on) {
    this.magnify = on;
    this.lens.hidden = !on || !this.pointer;
    this.draw();
  }

  #lens() {
    if (!this.magnify || !this.pointer) return;
    const { lens, view, ratio } = this;
    lens.hidden = false;
    const wide = lens.clientWidth;
    const size = Math.round(wide * ratio);
    if (lens.width !== size) lens.width = lens.height = size;
    const [u, v] = this.pointer;
    const scale = Math.min(view.scale * LENS_TIMES, 64);
    const [x, y] = this.toFilm(u, v);
    this.lensPainter.draw(
      { scale, left: size / 2 - (x + 0.5) * scale, top: size / 2 - (y + 0.5) * scale },
      this.window,
    );
    const mark = this.lensPainter.context;
    mark.strokeStyle = "#f0b354";
    mark.lineWidth = ratio;
    mark.beginPath();
    for (const [dx, dy] of [[1, 0], [0, 1], [-1, 0], [0, -1]]) {
      mark.moveTo(size / 2 + 6 * dx * ratio, size / 2 + 6 * dy * ratio);
      mark.lineTo(size / 2 + 16 * dx * ratio, size / 2 + 16 * dy * ratio);
    }
    mark.stroke();
    const box = this.element.getBoundingClientRect();
    // Beside the pointer, not under it, and inside the stage.
    const aside = 26;
    const left = u + aside + wide > box.width ? u - aside - wide : u + aside;
    const top = Math.min(Math.max(v - wide / 2, 4), box.height - wide - 4);
    lens.style.transform = `translate(${left}px, ${top}px)`;
  }

  // ---- pointer

  at(event) {
    const box = this.element.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  #listen() {
    const { element } = this;
    element.addEventListener("contextmenu", (event) => event.preventDefault());
    element.addEventListener(
      "wheel",
      (event) => {
        if (!this.film) return;
        event.preventDefault();
        const [u, v] = this.at(event);
        const pace = event.deltaMode === 1 ? 0.05 : 0.0016;
        this.zoom(this.view.scale * Math.exp(-event.deltaY * pace), u * this.ratio, v * this.ratio);
      },
      { passive: false },
    );
    element.addEventListener("pointermove", (event) => {
      this.pointer = this.at(event);
      if (this.magnify) this.draw();
    });
    element.addEventListener("pointerleave", () => {
      this.pointer = null;
      this.lens.hidden = true;
    });
    element.addEventListener("pointerdown", (event) => {
      if (!this.film || event.defaultPrevented || event.target.closest("button")) return;
      const grey = event.button === 2 || event.altKey;
      if (event.button !== 0 && !grey) return;
      element.setPointerCapture(event.pointerId);
      let [lastU, lastV] = this.at(event);
      let far = 0;
      const move = (next) => {
        const [u, v] = this.at(next);
        const [du, dv] = [u - lastU, v - lastV];
        [lastU, lastV] = [u, v];
        far += Math.abs(du) + Math.abs(dv);
        if (grey) this.grade(du, dv);
        else if (far > 3) this.pan(du, dv);
      };
      const up = (next) => {
        element.removeEventListener("pointermove", move);
        element.removeEventListener("pointerup", up);
        element.removeEventListener("pointercancel", up);
        if (!grey && far <= 3 && next.type === "pointerup") {
          const [x, y] = this.toFilm(...this.at(next));
          this.dispatchEvent(new CustomEvent("tap", { detail: { x, y } }));
        }
      };
      element.addEventListener("pointermove", move);
      element.addEventListener("pointerup", up);
      element.addEventListener("pointercancel", up);
    });
  }

  /** Right drag: sideways the width of the window, up and down its level. */
  grade(du, dv) {
    const { low, high } = this.window;
    const width = high - low;
    const pace = Math.max(width, 2000) / 400;
    const middle = (low + high) / 2 + dv * pace;
    const wide = Math.max(width + du * pace, 16);
    this.setWindow(middle - wide / 2, middle + wide / 2);
  }

  setOver(...children) {
    clear(this.over, ...children);
  }
}
