// The panel beside the film: verdict, angles, moves, proposals, landmarks, instruments, history.

import { button, clear, h } from "./dom.js";
import { dial, sign } from "./dial.js";
import { codeOf, degrees, percent, plain, ROLE, span, STATE, VERDICT, when } from "./words.js";

const section = (id, title, ...children) =>
  h("section", { class: "block", "aria-labelledby": `p-${id}` }, h("h2", { id: `p-${id}` }, title), children);

/** A section that is built when it is first opened. */
function folded(id, title, open, build) {
  let built = open;
  const details = h("details", { class: "block", id: `d-${id}`, open }, h("summary", {}, title), open ? build() : null);
  details.addEventListener("toggle", () => {
    if (details.open && !built) {
      built = true;
      details.append(...[build()].flat());
    }
  });
  return details;
}

/** What follows a landmark while it is dragged; the rest waits until it is let go. */
const FOLLOWING = ["verdict", "moves", "proposals", "instruments"];

export class Panel {
  /** `act`: what the buttons do, by name. */
  constructor(session, tolerance, act) {
    this.session = session;
    this.tolerance = tolerance;
    this.act = act;
    this.element = h("aside", { class: "panel", "aria-label": "Reading" });
    this.body = h("div", { class: "panel-body", tabindex: "0", role: "region", "aria-label": "What was read" });
    this.foot = h("div", { class: "decide", role: "group", "aria-label": "Decision" });
    this.element.append(this.body, this.foot);
    this.opened = new Set();
  }

  update() {
    const { session } = this;
    const reading = session.shown;
    const build = {
      notices: () => this.#notices(),
      verdict: () => this.#verdict(reading),
      knee: () => this.#knee(reading),
      moves: () => this.#moves(reading),
      proposals: () => this.#proposals(reading),
      instruments: () => (reading.view.name === "lateral" || reading.found.instruments.length ? this.#instruments(reading) : null),
      landmarks: () => this.#landmarks(reading),
      criteria: () => this.#criteria(reading),
      tags: () => this.#tags(),
      history: () => this.#history(),
    };
    if (session.dragging && this.blocks) {
      for (const name of FOLLOWING) {
        const next = build[name]() ?? h("span", { hidden: true });
        this.blocks[name].replaceWith(next);
        this.blocks[name] = next;
      }
      return;
    }
    const focus = this.#focused();
    for (const each of this.body.querySelectorAll("details")) this.opened[each.open ? "add" : "delete"](each.id);
    const top = this.body.scrollTop;
    this.blocks = Object.fromEntries(Object.entries(build).map(([name, make]) => [name, make() ?? h("span", { hidden: true })]));
    clear(this.body, Object.values(this.blocks));
    this.body.scrollTop = top;
    this.#decide();
    if (focus) this.element.querySelector(`[data-focus="${CSS.escape(focus)}"]`)?.focus({ preventScroll: true });
  }

  #focused() {
    return this.element.contains(document.activeElement) ? document.activeElement.dataset?.focus : null;
  }

  #fold(id, title, build) {
    return folded(id, title, this.opened.has(`d-${id}`), build);
  }

  // ---- blocks

  #notices() {
    const { session } = this;
    const said = [...new Set(session.shown.cautions)];
    if (!session.faithful) {
      said.unshift("This reading was made with other weights or settings: it is shown as it was stored, and changes are computed with those in force now.");
    }
    if (session.blinded) said.unshift("Double reading: what the other reader decided is kept back until both have read.");
    if (session.shown.refused) said.unshift(`Not read: ${session.shown.refused}.`);
    return said.length ? h("ul", { class: "notices", "aria-label": "Cautions" }, said.map((words) => h("li", {}, words))) : null;
  }

  #verdict(reading) {
    const a = reading.alignment;
    const verdict = VERDICT[a?.square];
    const rows = [
      ["rotation", degrees(a?.rotation_deg), span(a?.rotation_90)],
      ["tilt", degrees(a?.tilt_deg), span(a?.tilt_90)],
    ];
    return h(
      "section",
      { class: "block verdict-block", "aria-label": "Verdict" },
      dial(a, this.tolerance),
      h(
        "div",
        {},
        h("p", { class: `big-verdict ${verdict?.sign ?? "none"}`, "data-test": "verdict" }, sign(verdict?.sign ?? "none"), verdict?.words ?? "not read"),
        a ? h("p", { class: "quiet small" }, a.square_probability === null ? "no probability" : `square with probability ${percent(a.square_probability)}`, `, tolerance ${this.tolerance}°`) : null,
        h("table", { class: "angles" }, h("caption", { class: "unseen" }, "Angles with 90 % intervals"), h("tbody", {}, rows.map(([name, value, interval]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", { class: "number", "data-test": name }, value), h("td", { class: "quiet" }, interval))))),
        a ? h("p", { class: "quiet small" }, `flexion ${a.flexion_deg === null ? "–" : `${a.flexion_deg.toFixed(0).replace("-", "−")}°`}, roll ${degrees(a.roll_deg, 0)}`, a.off_centre_deg === null ? "" : `, off centre ${a.off_centre_deg.toFixed(1)}°`) : null,
      ),
    );
  }

  #knee(reading) {
    const { session, act } = this;
    const choose = (name, value, options, run) => {
      const field = h("select", { id: `k-${name}`, dataset: { focus: `k-${name}` }, onchange: () => run(field.value) }, options.map(([v, t]) => h("option", { value: v, selected: v === value }, t)));
      return h("div", { class: "field" }, h("label", { for: `k-${name}` }, name), field);
    };
    const sure = (p, from) => (from === "person" ? "by a person" : percent(p));
    return h(
      "section",
      { class: "block knee", "aria-label": "Knee" },
      choose("view", reading.view.name, [["AP", "AP"], ["lateral", "lateral"], ["other", "another view"], ["none", "no knee"]], act.view),
      choose("side", reading.side.name ?? "right", [["right", "right"], ["left", "left"]], act.side),
      h("p", { class: "quiet small" }, `view ${sure(reading.view.probability, session.changes.view ? "person" : "")}, side ${sure(reading.side.probability, reading.side.from)} from ${reading.side.from}`),
      button("Swap medial and lateral", { keys: "X", onclick: act.swap, pressed: session.changes.swap }),
    );
  }

  #moves(reading) {
    const needed = reading.moves.filter((move) => move.toward);
    const lines = needed.length ? needed : reading.moves.slice(0, 1);
    if (!lines.length) return null;
    return section("moves", "Move that would correct it", h("ul", { class: "plain" }, [...new Set(lines.map((move) => `${needed.length ? `${move.angle}: ` : ""}${move.text}`))].map((text) => h("li", {}, text))));
  }

  #proposals(reading) {
    if (!reading.proposals.length) return null;
    const mm = reading.scale.mm_per_px_knee;
    return section(
      "proposals",
      "Target proposals",
      h(
        "ul",
        { class: "plain proposals" },
        reading.proposals.map((each) => {
          const reach = each.radius_90_px === null ? "" : mm ? `within ${(each.radius_90_px * mm).toFixed(1)} mm at the knee (90 %)` : `within ${each.radius_90_px.toFixed(0)} px (90 %)`;
          const state = each.status === "withheld" ? "withheld" : each.why ? "uncertain" : "proposed";
          return h("li", {}, h("span", { class: `pill ${state}` }, state), h("strong", {}, ` ${each.target}`), h("span", { class: "quiet" }, ` ${each.status === "withheld" ? each.why : reach}${each.status !== "withheld" && each.why ? `; ${each.why}` : ""}`), h("small", { class: "quiet basis" }, each.basis));
        }),
      ),
    );
  }

  #instruments(reading) {
    const { session, act } = this;
    const lines = reading.found.instruments.map((each, i) => {
      const shift = session.drawn.shift_percent[i];
      const depth =
        each.depth_percent === null
          ? "no depth here: not on a shaft of a lateral film"
          : `${each.depth_percent.toFixed(0)} % of the shaft from the front, 90 % ${each.depth_90[0].toFixed(0)} to ${each.depth_90[1].toFixed(0)} %${shift === null || shift === undefined ? "" : `; ± ${shift.toFixed(0)} % of it from the film's misalignment`}`;
      return h("li", {}, h("strong", {}, `tip ${i + 1}: `), h("span", { "data-test": `depth-${i}` }, depth), " ", button("Remove", { kind: "quiet", label: `Remove tip ${i + 1}`, onclick: () => act.removeTip(i) }));
    });
    return section(
      "tips",
      "Instruments",
      lines.length ? h("ul", { class: "plain" }, lines) : h("p", { class: "quiet" }, "None marked."),
      button("Mark a tip", { keys: "T", onclick: act.markTip, pressed: session.placing === "tip" }),
      lines.length ? h("p", { class: "quiet small" }, "A tip can be dragged, or chosen and moved with the arrow keys.") : null,
      act.footprints(),
    );
  }

  #landmarks(reading) {
    const { session, act } = this;
    const seen = reading.landmarks.filter((mark) => mark.seen);
    const line = (mark) => {
      const own = session.own.has(mark.name);
      const words = mark.seen ? (own ? "by a person" : `± ${mark.sd_major?.toFixed(1)} px`) : "not visible";
      return h(
        "li",
        { class: mark.name === session.selected ? "selected" : "" },
        h("span", { class: "code" }, codeOf(mark.name)),
        mark.seen ? h("button", { type: "button", class: "quiet name", dataset: { focus: `l-${mark.name}` }, onclick: () => act.select(mark.name, true) }, plain(mark.name)) : h("span", { class: "name" }, plain(mark.name)),
        h("span", { class: "quiet" }, words),
        mark.seen ? button("Hide", { kind: "quiet", label: `${plain(mark.name)} is not visible`, onclick: () => act.notVisible(mark.name) }) : button("Add", { kind: "quiet", label: `Add ${plain(mark.name)}`, onclick: () => act.add(mark.name) }),
        mark.name in session.changes.landmarks ? button("Reset", { kind: "quiet", label: `${plain(mark.name)} as it was read`, onclick: () => act.reset(mark.name) }) : null,
      );
    };
    return this.#fold("landmarks", `Landmarks: ${seen.length} of ${reading.landmarks.length} seen, ${session.own.size} by a person`, () => h("ul", { class: "landmarks" }, reading.landmarks.map(line)));
  }

  #criteria(reading) {
    const rows = reading.alignment?.criteria ?? [];
    if (!rows.length) return null;
    const mark = { pass: "yes", fail: "no", "cannot tell": "maybe" };
    return this.#fold(
      "criteria",
      `Criteria: ${rows.filter((each) => each.verdict === "fail").length} of ${rows.length} failed`,
      () => h("ul", { class: "plain criteria" }, rows.map((each) => h("li", {}, sign(mark[each.verdict]), h("span", {}, `${plain(each.name)} `, h("strong", {}, each.value === null ? "–" : `${each.value.toFixed(1)} ${each.unit}`), ` ${each.verdict}`), h("small", { class: "quiet basis" }, each.source)))),
    );
  }

  #tags() {
    const { session, act } = this;
    const field = h("input", { id: "new-tag", maxlength: 60, size: 12, dataset: { focus: "tag" } });
    const add = (event) => {
      event.preventDefault();
      if (field.value.trim()) act.tag(field.value.trim(), false);
    };
    return this.#fold(
      "tags",
      `Tags: ${session.tags.length ? session.tags.join(", ") : "none"}`,
      () => [h("p", {}, session.tags.map((tag) => h("span", { class: "tag" }, tag, " ", button("×", { kind: "quiet", label: `Remove tag ${tag}`, onclick: () => act.tag(tag, true) })))),
      h("form", { class: "row", onsubmit: add }, h("label", { for: "new-tag" }, "New tag"), field, h("button", { type: "submit" }, "Add"))],
    );
  }

  #history() {
    const { session } = this;
    const words = {
      add: "read by the program",
      accept: "accepted",
      accept_with_changes: "accepted with changes",
      reject: "rejected",
      reopen: "opened again",
      second: "second reading asked for",
      adjudicate: "settled",
      hidden: "a decision that is kept back",
      tag: "tagged",
      untag: "tag removed",
      move: "film moved",
    };
    const lines = session.history.map((each) => h("li", {}, h("strong", {}, words[each.kind] ?? each.kind), each.outcome && each.kind === "adjudicate" ? `: ${words[each.outcome]}` : "", each.who ? ` by ${each.who}` : "", each.role === "second" ? " (second reader)" : "", h("small", { class: "quiet" }, ` ${when(each.at)}`), each.reason ? h("p", { class: "reason" }, `“${each.reason}”`) : null));
    return this.#fold("history", `History: ${STATE[session.state]}`, () => h("ol", { class: "history" }, lines));
  }

  // ---- the decision

  #decide() {
    const { session, act } = this;
    const open = ["proposed", "double"].includes(session.state) || session.over || act.role() === "second";
    const parts = [];
    if (session.readers?.length && act.role() === "adjudicator") {
      parts.push(this.#readers());
    }
    const words = session.dirty || session.changed ? "Accept with changes" : "Accept";
    const mayDecide = open || (session.state === "adjudicate" && act.role() === "adjudicator");
    if (mayDecide) {
      parts.push(
        h("div", { class: "row" }, button(words, { keys: "A", kind: "primary", onclick: act.accept }), button("Reject…", { keys: "R", onclick: act.reject }), session.state === "proposed" && act.role() === "first" ? button("Ask for a second reader", { kind: "quiet", onclick: act.second }) : null),
      );
    } else {
      parts.push(
        h("p", { class: "standing" }, h("i", { class: `dot ${session.state}`, "aria-hidden": "true" }), h("strong", {}, STATE[session.state]), ` ${this.#by()}`),
        h("div", { class: "row" }, button("Undo the decision", { keys: "U", onclick: act.reopen }), session.state === "adjudicate" ? h("span", { class: "quiet small" }, "An adjudicator settles this.") : null),
      );
    }
    if (session.dirty) parts.push(h("p", { class: "quiet small" }, "Changes not decided yet; they are kept in this browser. ", button("Undo change", { keys: "Z", kind: "quiet", onclick: act.undo }), button("Discard all", { kind: "quiet", onclick: act.discard })));
    clear(this.foot, h("p", { class: "who quiet small" }, act.who() ? `${act.who()}, ${ROLE[act.role()]}` : "Nobody has signed in."), parts);
  }

  #by() {
    const last = [...this.session.history].reverse().find((each) => each.outcome || each.kind === "reopen");
    return last ? `by ${last.who || "another reader"}, ${when(last.at)}` : "";
  }

  #readers() {
    const { session, act } = this;
    return h(
      "div",
      { class: "readers" },
      session.readers.map((each) => {
        const a = each.final.alignment;
        const sides = `${each.final.view.name} ${each.final.side.name ?? ""}`;
        return h("div", { class: "reader" }, h("strong", {}, `${each.role} reader, ${each.who}`), h("p", {}, each.outcome === "reject" ? `rejected: ${each.reason}` : `${VERDICT[a?.square]?.words ?? "not read"}, ${sides}; ${degrees(a?.rotation_deg)} / ${degrees(a?.tilt_deg)}`), each.outcome === "reject" ? null : button("Start from this one", { onclick: () => act.take(each.changes) }));
      }),
    );
  }
}
