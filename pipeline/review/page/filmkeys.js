// The keys of the film view, as the sheet of keys lists them.

import { sheet } from "./keys.js";

/** What a nudge moves a mark by, film pixels. */
export const STEP = 0.25;
const COARSE = 2.5;

export function filmKeys(view) {
  const arrows = [["ArrowLeft", -1, 0], ["ArrowRight", 1, 0], ["ArrowUp", 0, -1], ["ArrowDown", 0, 1]];
  const zoom = (factor) => view.stage.zoom(view.stage.view.scale * factor);
  const wide = (factor) => view.stage.grade(factor * 30, 0);
  return [
    { keys: ["o", " "], words: "overlay on and off", run: () => view.toggle(), group: "Film" },
    { keys: ["i"], words: "invert", run: () => view.invert(), group: "Film" },
    { keys: ["m"], words: "magnifier", run: () => view.lens(), group: "Film" },
    { keys: ["f"], words: "fit the film", run: () => view.stage.fit(), group: "Film" },
    { keys: ["k"], words: "fit the knee", run: () => view.knee(), group: "Film" },
    { keys: ["1"], words: "1:1, a film pixel is a screen pixel", run: () => view.stage.zoom(1), group: "Film" },
    { keys: ["+", "="], words: "zoom in (wheel)", run: () => zoom(1.25), repeat: true, group: "Film" },
    { keys: ["-", "_"], words: "zoom out", run: () => zoom(0.8), repeat: true, group: "Film" },
    { keys: [",", "."], words: "darker, brighter (right drag)", run: (event) => view.stage.grade(0, event.key === "," ? 12 : -12), repeat: true, group: "Film" },
    { keys: ["<", ">", ";", ":"], words: "less, more contrast", run: (event) => wide(event.key === "<" || event.key === ";" ? 1 : -1), repeat: true, group: "Film" },
    { keys: ["c"], words: "window from the film itself", run: () => view.stage.auto(), group: "Film" },
    { keys: ["[", "]"], words: "previous, next landmark", run: (event) => view.walk(event.key === "[" ? -1 : 1), repeat: true, group: "Landmarks" },
    ...arrows.map(([key, dx, dy], i) => ({ keys: [key], show: "←↑→↓", words: i ? "" : "nudge the landmark by 0.25 px; without one, move the film", run: () => view.nudge(dx * STEP, dy * STEP), repeat: true, group: "Landmarks" })),
    ...arrows.map(([key, dx, dy], i) => ({ keys: [`Shift+${key}`], show: "Shift+←↑→↓", words: i ? "" : "nudge by 2.5 px", run: () => view.nudge(dx * COARSE, dy * COARSE), repeat: true, group: "Landmarks" })),
    { keys: ["v"], words: "not visible; a chosen tip is removed", run: () => view.notVisible(), group: "Landmarks" },
    { keys: ["e"], words: "add a missing landmark", run: () => view.addMissing(), group: "Landmarks" },
    { keys: ["x"], words: "swap medial and lateral", run: () => view.swap(), group: "Landmarks" },
    { keys: ["t"], words: "mark an instrument's tip", run: () => view.markTip(), group: "Landmarks" },
    { keys: ["Enter"], run: () => view.enter() },
    { keys: ["z", "Ctrl+z"], words: "undo a change", run: () => view.undo(), repeat: true, group: "Landmarks" },
    { keys: ["y", "Ctrl+y", "Ctrl+Shift+z"], words: "do it again", run: () => view.session.redo(), repeat: true, group: "Landmarks" },
    { keys: ["a"], words: "accept (with the changes)", run: () => view.decide("accept"), group: "Decision" },
    { keys: ["r"], words: "reject with a reason", run: () => view.reject(), group: "Decision" },
    { keys: ["u"], words: "undo the decision", run: () => view.decide("reopen"), group: "Decision" },
    { keys: ["n"], words: "next reading", run: () => view.step(1), group: "Readings" },
    { keys: ["p"], words: "previous reading", run: () => view.step(-1), group: "Readings" },
    { keys: ["g"], words: "series of the study", run: () => view.app.series(view.id), group: "Readings" },
    { keys: ["w", "Escape"], words: "back to the worklist", run: (event) => (event.key === "Escape" ? view.escape() : view.app.list()), group: "Readings" },
    { keys: ["?"], words: "this sheet", run: () => sheet(), group: "Readings" },
  ];
}
