// Two people changed one reading: what each did, and a choice for everything they did differently.

import { button, dialog, h } from "./dom.js";
import { equal, NOTHING } from "./session.js";
import { degrees, plain, VERDICT } from "./words.js";

const KINDS = { accept: "accepted it", accept_with_changes: "accepted it with changes", reject: "rejected it", reopen: "opened it again" };

/** Parts of changes by name: what can be chosen one by one. */
function parts(changes) {
  const found = { view: changes.view, side: changes.side, swap: changes.swap, instruments: changes.instruments };
  for (const [name, place] of Object.entries(changes.landmarks)) found[`landmark ${name}`] = place ?? "hidden";
  return found;
}

export function clashes(mine, theirs) {
  const [a, b] = [parts({ ...NOTHING, ...mine }), parts({ ...NOTHING, ...theirs })];
  return [...new Set([...Object.keys(a), ...Object.keys(b)])].filter((name) => !equal(a[name] ?? null, b[name] ?? null));
}

export function merged(mine, theirs, choice) {
  const [a, b] = [parts({ ...NOTHING, ...mine }), parts({ ...NOTHING, ...theirs })];
  const result = structuredClone(NOTHING);
  for (const name of new Set([...Object.keys(a), ...Object.keys(b)])) {
    const source = (choice[name] ?? "mine") === "mine" ? a : b;
    const value = source[name];
    if (name.startsWith("landmark ")) {
      if (value !== undefined) result.landmarks[name.slice(9)] = value === "hidden" ? null : value;
    } else if (value !== undefined) result[name] = structuredClone(value);
  }
  return result;
}

function told(name, value, original) {
  if (value === undefined || value === null) return "as read";
  if (name === "swap") return value ? "exchanged" : "as read";
  if (name === "instruments") return value.length ? `${value.length} marked` : "none left";
  if (value === "hidden") return "not visible";
  if (Array.isArray(value)) {
    const mark = original.landmarks.find((each) => `landmark ${each.name}` === name);
    const [x, y] = value;
    const off = mark?.x === null || !mark ? "added" : `${Math.hypot(x - mark.x, y - mark.y).toFixed(2)} px from where it was read`;
    return `${x.toFixed(2)}, ${y.toFixed(2)}; ${off}`;
  }
  return String(value);
}

/** Resolves with {changes, revision} to go on with, {theirs: true} to leave it, or null. */
export function mergeView(session, theirs) {
  const who = theirs.who || "Another reader";
  const mine = session.changes;
  const names = clashes(mine, theirs.changes);
  const choice = Object.fromEntries(names.map((name) => [name, "mine"]));
  const [a, b] = [parts({ ...NOTHING, ...mine }), parts({ ...NOTHING, ...theirs.changes })];
  const pick = (name, which, words) => {
    const id = `m-${name}-${which}`.replaceAll(" ", "-");
    return h(
      "td",
      {},
      h("input", { type: "radio", name: `m-${name}`, id, checked: which === "mine", onchange: () => (choice[name] = which) }),
      h("label", { for: id }, ` ${words}`),
    );
  };
  const angles = (reading) => {
    const al = reading?.alignment;
    return al ? `${VERDICT[al.square].words}, ${degrees(al.rotation_deg)} / ${degrees(al.tilt_deg)}` : "not read";
  };
  return dialog(
    "Someone was here before you",
    (done) =>
      h(
        "div",
        { class: "merge" },
        h("p", {}, `${who} ${KINDS[theirs.kind] ?? "decided"} after you opened it. Nothing of yours is lost: look at both, choose, then decide again.`),
        theirs.reason ? h("p", { class: "reason" }, `“${theirs.reason}”`) : null,
        h(
          "div",
          { class: "scroll-x", tabindex: "0", role: "region", "aria-label": "Both versions" },
          h(
            "table",
            {},
            h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "What"), h("th", { scope: "col" }, "Yours"), h("th", { scope: "col" }, `Theirs (${who})`))),
            h(
              "tbody",
              {},
              h("tr", {}, h("th", { scope: "row" }, "comes to"), h("td", {}, angles(session.shown)), h("td", {}, theirs.kind === "reject" ? "rejected" : angles(theirs.current))),
              names.map((name) => h("tr", {}, h("th", { scope: "row" }, plain(name)), pick(name, "mine", told(name, a[name], session.original)), pick(name, "theirs", told(name, b[name], session.original)))),
            ),
          ),
        ),
        names.length ? null : h("p", {}, "Both changed the same: only the decision is left."),
        h(
          "div",
          { class: "row end" },
          button("Leave it as they decided", { onclick: () => done({ theirs: true }) }),
          button("Go on with the chosen", { kind: "primary", onclick: () => done({ changes: merged(mine, theirs.changes, choice), revision: theirs.revision }) }),
        ),
      ),
    { wide: true },
  );
}
