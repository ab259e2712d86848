// The learning curve: films beyond the fewest, exercise by exercise, and the mean of the last five.

import { h, s } from "/page/dom.js";
import { t } from "/page/language.js";

const WIDTH = 560;
const HEIGHT = 190;
const ROOM = { left: 34, right: 12, top: 12, bottom: 30 };
const MOST = 60;

export function chart(rounds) {
  const shown = rounds.slice(-MOST);
  const spare = shown.map((row) => (row.solved ? row.films - row.fewest : null));
  const top = Math.max(4, ...spare.filter((v) => v !== null));
  const x = (n) => ROOM.left + ((n + 0.5) * (WIDTH - ROOM.left - ROOM.right)) / shown.length;
  const y = (v) => HEIGHT - ROOM.bottom - (v * (HEIGHT - ROOM.top - ROOM.bottom)) / top;
  const means = spare
    .map((v, n) => {
      const last = spare.slice(0, n + 1).filter((each) => each !== null).slice(-5);
      return v === null || !last.length ? null : [x(n), y(last.reduce((a, b) => a + b, 0) / last.length)];
    })
    .filter(Boolean);
  const steps = [...Array(top + 1).keys()].filter((v) => top < 6 || v % 2 === 0);
  const marks = spare.map((v, n) =>
    v === null
      ? s("path", { class: "missed", d: `M${x(n) - 4} ${y(0) - 10}l8 8m0 -8l-8 8` })
      : s(shown[n].view === "AP" ? "rect" : "circle", shown[n].view === "AP" ? { class: "mark", x: x(n) - 4, y: y(v) - 4, width: 8, height: 8 } : { class: "mark", cx: x(n), cy: y(v), r: 4.5 }),
  );
  const words = t("Films beyond the fewest in the last {n} exercises: {films}", { n: shown.length, films: spare.map((v) => v ?? t("not solved")).join(", ") });
  return h(
    "figure",
    { class: "curve" },
    s(
      "svg",
      { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": words },
      steps.map((v) => [s("line", { class: "rule", x1: ROOM.left, x2: WIDTH - ROOM.right, y1: y(v), y2: y(v) }), s("text", { x: ROOM.left - 8, y: y(v) + 4, "text-anchor": "end" }, `${v}`)]),
      means.length > 1 ? s("polyline", { class: "mean", points: means.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ") }) : null,
      marks,
      s("text", { x: WIDTH / 2, y: HEIGHT - 6, "text-anchor": "middle" }, t("exercises, newest on the right")),
    ),
    h("figcaption", {}, t("Films beyond the fewest possible: square AP, circle lateral, cross not solved; the line is the mean of the last five.")),
  );
}
