// The shots of one study in time order: angles, what changed between them, dose.

import { get } from "./api.js";
import { button, h, s } from "./dom.js";
import { sign } from "./dial.js";
import { setKeys, sheet } from "./keys.js";
import { acquired, degrees, signed, span, STATE, VERDICT } from "./words.js";

const dose = (value) => (value === null ? "–" : `${Number(value.toPrecision(3))} Gy cm²`);

export const seriesOf = (id) => get(`/api/series/${id}`);

/** `found` as `seriesOf` gives it. */
export function seriesView(found, id, go, back, tolerance) {
  setKeys([
    { keys: ["Escape", "b"], words: "back to the film", run: () => go(id), group: "Series" },
    { keys: ["w"], words: "worklist", run: back, group: "Series" },
    { keys: ["?"], words: "this sheet", run: () => sheet() },
  ]);
  const kinds = found.stories.map((each) => [each.view, each.side]);
  return h(
    "section",
    { class: "series", "aria-labelledby": "series-title" },
    h(
      "div",
      { class: "list-top" },
      h("h1", { id: "series-title" }, "Series of this study"),
      h("p", { class: "quiet" }, `${found.shots.length === 1 ? "1 shot" : `${found.shots.length} shots`} in time order; `, total(found)),
      button("Back to the film", { keys: "B", onclick: () => go(id) }),
    ),
    found.stories.map((each) => story(each, found.shots, tolerance)),
    h(
      "div",
      { class: "scroll-x", tabindex: "0", role: "region", "aria-label": "Shots" },
      h(
        "table",
        {},
        h("caption", { class: "unseen" }, "Shots in time order"),
        h("thead", {}, h("tr", {}, ["#", "Time", "Film", "View", "Verdict", "Rotation", "Tilt", "Since the last shot of this view", "Dose-area product", "Exposure", "State"].map((words) => h("th", { scope: "col" }, words)))),
        h("tbody", {}, found.shots.map((shot, i) => line(shot, i, shot.id === id, go))),
      ),
    ),
    h("p", { class: "quiet small" }, "Looks back at films that were taken. Whether the beam or the limb was turned, films cannot tell. No exposure is suggested. ", kinds.length ? "" : "No shot of this study has angles."),
  );
}

const total = (found) =>
  found.dose_area_gy_cm2 === null
    ? "no header states a dose"
    : `${dose(found.dose_area_gy_cm2)} in all (stated for ${found.dose_known} of ${found.pictures} pictures)`;

function line(shot, i, here, go) {
  const verdict = VERDICT[shot.square];
  const exposure = [shot.kvp && `${shot.kvp} kV`, shot.mas && `${Number(shot.mas.toPrecision(3))} mAs`, shot.entrance_dose_mgy && `${shot.entrance_dose_mgy} mGy entrance`];
  return h(
    "tr",
    { class: here ? "here" : "" },
    h("td", { class: "number" }, i + 1),
    h("td", {}, acquired(shot.acquired)),
    h("td", {}, h("a", { href: `#/film/${shot.id}` }, shot.name)),
    h("td", {}, `${shot.view} ${shot.side ?? ""}`),
    h("td", {}, h("span", { class: "verdict" }, sign(verdict?.sign ?? "none"), verdict?.words ?? shot.refused ?? "not read")),
    h("td", { class: "number" }, degrees(shot.rotation_deg), h("small", {}, span(shot.rotation_90))),
    h("td", { class: "number" }, degrees(shot.tilt_deg), h("small", {}, span(shot.tilt_90))),
    h("td", {}, shot.moves.length ? shot.moves.map((move) => h("p", { class: move.clear ? "" : "quiet" }, `${move.angle} ${signed(move.change_deg)}°: ${move.text}`)) : "–"),
    h("td", { class: "number" }, dose(shot.dose_area_gy_cm2)),
    h("td", {}, exposure.filter(Boolean).join(", ") || "–"),
    h("td", {}, STATE[shot.state]),
  );
}

function story(each, shots, tolerance) {
  const own = shots.filter((shot) => each.ids.includes(shot.id));
  const words = [];
  words.push(each.told);
  const advice = each.advice.map((one) => h("li", {}, one.text));
  if (each.saved_shots) {
    const saved = each.saved_dose_area_gy_cm2 === null ? "" : ` and ${dose(each.saved_dose_area_gy_cm2)}`;
    words.push(`What the first film's reading advised would have led to a square film with a probability of ${Math.min(99, Math.round(100 * each.advice_probability))} %; taken at once it could have saved ${each.saved_shots} ${each.saved_shots === 1 ? "shot" : "shots"}${saved}. ${each.borne_out ? "What made the view square was this change." : "The view became square by another amount."}`);
  } else if (each.saved_shots === 0) words.push("The first film's advice was followed at once: nothing more could have been saved.");
  else if (each.why_not && each.first_square !== 0) words.push(`What advice could have saved is left open: ${each.why_not}.`);
  return h(
    "article",
    { class: "story" },
    h("h2", {}, `${each.view}, ${each.side ?? "side unknown"}`),
    chart(own, tolerance),
    h("div", {}, words.map((text) => h("p", {}, text)), advice.length ? [h("p", { class: "quiet" }, "The first film's advice:"), h("ul", {}, advice)] : null),
  );
}

function chart(shots, tolerance) {
  const [w, n, left, top] = [420, 150, 34, 12];
  const reach = Math.max(tolerance * 1.6, ...shots.flatMap((shot) => [...(shot.rotation_90 ?? []), ...(shot.tilt_90 ?? [])].map(Math.abs)));
  const x = (i) => left + ((i + 0.5) / shots.length) * (w - left - 8);
  const y = (value) => top + ((reach - value) / (2 * reach)) * (n - 2 * top);
  const parts = [
    s("rect", { class: "band", x: left, y: y(tolerance), width: w - left - 8, height: y(-tolerance) - y(tolerance) }),
    s("path", { class: "axis", d: `M${left} ${y(0)}H${w - 8}` }),
    ...[tolerance, 0, -tolerance].map((value) => s("text", { class: "mark", x: left - 5, y: y(value) + 4, "text-anchor": "end" }, `${value}°`.replace("-", "−"))),
  ];
  for (const [angle, shift] of [["rotation", -5], ["tilt", 5]]) {
    const d = shots.map((shot, i) => `${i ? "L" : "M"}${x(i) + shift} ${y(shot[`${angle}_deg`])}`).join("");
    parts.push(s("path", { class: `run ${angle}`, d }));
    for (const [i, shot] of shots.entries()) {
      const [low, high] = shot[`${angle}_90`];
      const [u, v] = [x(i) + shift, y(shot[`${angle}_deg`])];
      parts.push(s("path", { class: `span ${angle}`, d: `M${u} ${y(low)}V${y(high)}` }));
      parts.push(angle === "rotation" ? s("circle", { class: angle, cx: u, cy: v, r: 4.5 }) : s("path", { class: angle, d: `M${u - 5} ${v + 4}L${u} ${v - 5}L${u + 5} ${v + 4}Z` }));
    }
  }
  for (const i of shots.keys()) parts.push(s("text", { class: "mark", x: x(i), y: n - 1, "text-anchor": "middle" }, String(i + 1)));
  const words = shots.map((shot, i) => `shot ${i + 1}: rotation ${degrees(shot.rotation_deg)}, tilt ${degrees(shot.tilt_deg)}`).join("; ");
  return h(
    "figure",
    {},
    s("svg", { class: "chart", viewBox: `0 0 ${w} ${n}`, role: "img", "aria-label": words }, parts),
    h("figcaption", {}, h("span", { class: "swatch rotation" }), "● rotation ", h("span", { class: "swatch tilt" }), "▲ tilt; bars are 90 % intervals, the band is the tolerance"),
  );
}
