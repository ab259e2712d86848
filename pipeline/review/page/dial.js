// The square: rotation across, tilt up. The tolerance is the square in the middle, the film a
// spot with its 90 % box; where two readings are possible there are two.

import { s } from "./dom.js";
import { degrees } from "./words.js";

const REACH = 15;
const SIZE = 100;

export function dial(alignment, tolerance) {
  const at = (value) => SIZE / 2 + (Math.min(Math.max(value, -REACH), REACH) / REACH) * (SIZE / 2 - 4);
  const up = (value) => SIZE - at(value);
  const parts = [];
  for (const step of [-10, -5, 5, 10]) {
    parts.push(
      s("path", { class: "grid", d: `M${at(step)} 4V${SIZE - 4}M4 ${at(step)}H${SIZE - 4}` }),
    );
  }
  parts.push(s("path", { class: "axis", d: `M${SIZE / 2} 2V${SIZE - 2}M2 ${SIZE / 2}H${SIZE - 2}` }));
  const t = at(tolerance) - SIZE / 2;
  parts.push(s("rect", { class: "square", x: SIZE / 2 - t, y: SIZE / 2 - t, width: 2 * t, height: 2 * t, rx: 1.5 }));
  let words = "No angles were read.";
  if (alignment?.rotation_deg !== null && alignment) {
    for (const [i, each] of alignment.hypotheses.entries()) {
      const [x0, x1] = each.rotation_90.map(at);
      const [y1, y0] = each.tilt_90.map(up);
      const kind = i === 0 ? "likelier" : "other";
      parts.push(
        s("rect", { class: `box ${kind}`, x: x0, y: y0, width: Math.max(x1 - x0, 1.5), height: Math.max(y1 - y0, 1.5), rx: 1 }),
      );
      const [x, y] = [at(each.rotation_deg), up(each.tilt_deg)];
      const outside = Math.max(Math.abs(each.rotation_deg), Math.abs(each.tilt_deg)) > REACH;
      if (outside) {
        const turn = (Math.atan2(y - SIZE / 2, x - SIZE / 2) * 180) / Math.PI;
        parts.push(s("path", { class: `spot ${kind}`, d: "M4 0L-4 -4L-4 4Z", transform: `translate(${x} ${y}) rotate(${turn})` }));
      } else parts.push(s("circle", { class: `spot ${kind}`, cx: x, cy: y, r: 3.2 }));
    }
    words = `Rotation ${degrees(alignment.rotation_deg)}, tilt ${degrees(alignment.tilt_deg)}; the square is ${tolerance} degrees either way.`;
  }
  return s("svg", { class: "dial", viewBox: `0 0 ${SIZE} ${SIZE}`, role: "img", "aria-label": words }, parts);
}

/** The verdict's sign: a square, a cross, or a broken ring. */
export function sign(kind) {
  const d = {
    yes: "M3 3H17V17H3Z",
    no: "M4 4L16 16M16 4L4 16",
    maybe: "M10 3A7 7 0 0 1 17 10M15.5 14.3A7 7 0 0 1 10 17M6 15.7A7 7 0 0 1 3 10M4.5 5.7A7 7 0 0 1 7 3.7",
    none: "M4 10H16",
  }[kind];
  return s("svg", { class: `sign ${kind}`, viewBox: "0 0 20 20", "aria-hidden": "true" }, s("path", { d }));
}
