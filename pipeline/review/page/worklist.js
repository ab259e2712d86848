// The worklist: filters, order, progress, and a list that draws only the rows in sight.

import { get, me } from "./api.js";
import { button, clear, h, toast } from "./dom.js";
import { sign } from "./dial.js";
import { setKeys, sheet } from "./keys.js";
import { drafts } from "./session.js";
import { degrees, STATE, VERDICT } from "./words.js";

const ROW = 46;
const SPARE = 8;
const DECIDED = new Set(["accepted", "changed", "rejected"]);
const kept = { search: "", verdict: "", view: "", side: "", state: "", doubt: "", tag: "", order: "gain", at: 0, id: null };

export const lastList = { ids: [] };

const DOUBTS = {
  small: ["up to 5°", (w) => w !== null && w <= 5],
  middle: ["5° to 10°", (w) => w !== null && w > 5 && w <= 10],
  large: ["above 10°", (w) => w !== null && w > 10],
  none: ["no angles", (w) => w === null],
};
const ORDERS = {
  gain: ["where a person adds most", (a, b) => DECIDED.has(a.state) - DECIDED.has(b.state) || b.gain - a.gain || a.id - b.id],
  name: ["film name", (a, b) => a.source.localeCompare(b.source) || a.id - b.id],
  latest: ["latest change", (a, b) => b.changed_at.localeCompare(a.changed_at) || a.id - b.id],
  doubt: ["widest interval", (a, b) => (b.uncertainty ?? -1) - (a.uncertainty ?? -1) || a.id - b.id],
};

export class Worklist {
  constructor(go, undo) {
    this.go = go;
    this.undo = undo;
    this.rows = [];
    this.shown = [];
    this.pool = new Map();
    this.drafts = new Set(drafts());
    this.element = h("section", { class: "worklist", "aria-labelledby": "list-title" });
    this.#build();
    setKeys(this.keys());
  }

  close() {
    kept.at = this.scroller.scrollTop;
    clearInterval(this.timer);
    this.watch.disconnect();
    this.closed = true;
  }

  async start() {
    await this.load();
    if (this.closed) return;
    this.scroller.scrollTop = kept.at;
    this.draw();
    this.timer = setInterval(() => document.hidden || this.load().catch(() => {}), 20000);
  }

  async load() {
    const found = await get("/api/worklist");
    this.rows = found.rows;
    this.progress = found.progress;
    this.#choices("tag", found.tags);
    this.filter();
  }

  // ---- building

  #build() {
    this.fields = {};
    const select = (name, words, options) => {
      const field = h(
        "select",
        { id: `f-${name}`, onchange: () => this.#chosen(name, field.value) },
        h("option", { value: "" }, "all"),
        options.map(([value, text]) => h("option", { value }, text)),
      );
      field.value = kept[name];
      this.fields[name] = field;
      return h("div", { class: "field" }, h("label", { for: `f-${name}` }, words), field);
    };
    const search = h("input", {
      id: "f-search",
      type: "search",
      value: kept.search,
      placeholder: "part of a name",
      oninput: () => this.#chosen("search", search.value),
    });
    const order = h(
      "select",
      { id: "f-order", onchange: () => this.#chosen("order", order.value) },
      Object.entries(ORDERS).map(([value, [text]]) => h("option", { value }, text)),
    );
    order.value = kept.order;
    this.search = search;
    this.count = h("p", { class: "count", role: "status" });
    this.bar = h("div", { class: "progress" });
    this.inner = h("div", { class: "rows", role: "presentation" });
    this.scroller = h("div", { class: "scroller", onscroll: () => this.draw(), role: "presentation" }, this.inner);
    const head = ["State", "Film", "View", "Verdict", "Rotation", "Tilt", "90 % width", "To gain", "Tags"];
    this.grid = h(
      "div",
      { class: "table", role: "table", "aria-label": "Readings" },
      (this.head = h("div", { class: "line head", role: "row" }, head.map((words, i) => h("span", { role: "columnheader", class: i > 3 && i < 7 ? "number" : "" }, words)))),
      this.scroller,
    );
    this.element.append(
      h(
        "div",
        { class: "list-top" },
        h("h1", { id: "list-title" }, "Worklist"),
        this.bar,
        button("Continue with the first", { keys: "Enter", kind: "primary", onclick: () => this.shown.length && this.go(this.shown[0].id) }),
      ),
      h(
        "div",
        { class: "filters", role: "search", "aria-label": "Filters" },
        h("div", { class: "field wide" }, h("label", { for: "f-search" }, "Film"), search),
        select("verdict", "Verdict", [["yes", "square on"], ["no", "not square on"], ["cannot tell", "cannot tell"], ["-", "not read"]]),
        select("view", "View", [["AP", "AP"], ["lateral", "lateral"], ["other", "another view"], ["none", "no knee"]]),
        select("side", "Side", [["right", "right"], ["left", "left"]]),
        select("state", "State", Object.entries(STATE)),
        select("doubt", "Interval", Object.entries(DOUBTS).map(([value, [text]]) => [value, text])),
        select("tag", "Tag", []),
        h("div", { class: "field wide" }, h("label", { for: "f-order" }, "First those"), order),
        button("Clear", { onclick: () => this.#reset(), kind: "quiet", label: "Clear the filters" }),
      ),
      this.count,
      this.grid,
    );
    this.watch = new ResizeObserver(() => {
      // The head leaves room for the list's scroll bar.
      this.head.style.marginRight = `${this.scroller.offsetWidth - this.scroller.clientWidth}px`;
      this.draw();
    });
    this.watch.observe(this.scroller);
  }

  #choices(name, values) {
    const field = this.fields[name];
    clear(field, h("option", { value: "" }, "all"), values.map((value) => h("option", { value }, value)));
    field.value = values.includes(kept[name]) ? kept[name] : "";
  }

  #chosen(name, value) {
    kept[name] = value;
    this.scroller.scrollTop = 0;
    this.filter();
  }

  #reset() {
    for (const [name, field] of Object.entries(this.fields)) {
      kept[name] = "";
      field.value = "";
    }
    this.search.value = kept.search = "";
    this.filter();
  }

  // ---- what is shown

  filter() {
    const words = kept.search.toLowerCase();
    const doubt = DOUBTS[kept.doubt]?.[1];
    this.shown = this.rows
      .filter(
        (row) =>
          (!words || row.source.toLowerCase().includes(words)) &&
          (!kept.verdict || (row.verdict ?? "-") === kept.verdict) &&
          (!kept.view || row.view === kept.view) &&
          (!kept.side || row.side === kept.side) &&
          (!kept.state || row.state === kept.state) &&
          (!kept.tag || row.tags.includes(kept.tag)) &&
          (!doubt || doubt(row.uncertainty)),
      )
      .sort(ORDERS[kept.order][1]);
    lastList.ids = this.shown.map((row) => row.id);
    const focused = this.inner.contains(document.activeElement);
    for (const line of this.pool.values()) line.remove();
    this.pool.clear();
    this.inner.style.height = `${this.shown.length * ROW}px`;
    this.grid.setAttribute("aria-rowcount", String(this.shown.length + 1));
    const all = this.rows.length;
    const counted = all === 1 ? "1 reading" : `${all} readings`;
    clear(this.count, this.shown.length === all ? counted : `${this.shown.length} of ${counted}`);
    this.#progress();
    this.draw();
    if (focused) this.pool.get(this.index)?.focus({ preventScroll: true });
  }

  #progress() {
    const total = this.rows.length;
    const counts = this.progress ?? {};
    const done = (counts.accepted ?? 0) + (counts.changed ?? 0) + (counts.rejected ?? 0);
    const share = (n) => `${total ? (100 * n) / total : 0}%`;
    const part = (state, n) => {
      const piece = h("span", { class: `part ${state}` });
      piece.style.width = share(n);
      return piece;
    };
    clear(
      this.bar,
      h("span", { class: "words" }, `${done} of ${total} decided`),
      h(
        "span",
        { class: "track", role: "img", "aria-label": `${counts.accepted ?? 0} accepted, ${counts.changed ?? 0} accepted with changes, ${counts.rejected ?? 0} rejected, ${total - done} to decide` },
        part("accepted", counts.accepted ?? 0),
        part("changed", counts.changed ?? 0),
        part("rejected", counts.rejected ?? 0),
      ),
    );
  }

  draw() {
    const top = this.scroller.scrollTop;
    const first = Math.max(0, Math.floor(top / ROW) - SPARE);
    const last = Math.min(this.shown.length, Math.ceil((top + this.scroller.clientHeight) / ROW) + SPARE);
    for (const [index, line] of this.pool) {
      if (index < first || index >= last) {
        line.remove();
        this.pool.delete(index);
      }
    }
    for (let index = first; index < last; index++) {
      if (this.pool.has(index)) continue;
      const line = this.#line(this.shown[index], index);
      this.pool.set(index, line);
      this.inner.append(line);
    }
    this.#roving();
  }

  #line(row, index) {
    const verdict = VERDICT[row.verdict];
    const gain = h("span", { class: "gain" }, h("span", { class: "gain-fill" }));
    gain.firstChild.style.width = `${Math.round(100 * row.gain)}%`;
    const hidden = row.hidden ? "hidden until both have read" : null;
    const line = h(
      "div",
      {
        class: `line row ${row.state}`,
        role: "row",
        tabindex: "-1",
        "aria-rowindex": index + 2,
        dataset: { id: row.id, index },
        onclick: () => this.go(row.id),
        onfocus: () => {
          kept.id = row.id;
          this.#roving();
        },
      },
      h("span", { role: "cell", class: "state" }, h("i", { class: `dot ${row.state}`, "aria-hidden": "true" }), STATE[row.state], this.drafts.has(row.id) ? h("em", { class: "draft" }, "draft") : null),
      h("span", { role: "cell", class: "name", title: row.source }, row.name, row.frame ? `, frame ${row.frame}` : "", row.knee ? `, knee ${row.knee + 1}` : ""),
      h("span", { role: "cell" }, { other: "another view", none: "no knee" }[row.view] ?? `${row.view} ${row.side ?? ""}`),
      h("span", { role: "cell", class: "verdict" }, hidden ?? [sign(verdict?.sign ?? "none"), verdict?.words ?? "not read"]),
      h("span", { role: "cell", class: "number" }, hidden ? "–" : degrees(row.rotation_deg)),
      h("span", { role: "cell", class: "number" }, hidden ? "–" : degrees(row.tilt_deg)),
      h("span", { role: "cell", class: "number" }, row.uncertainty === null ? "–" : `${row.uncertainty.toFixed(1)}°`),
      h("span", { role: "cell", title: `${Math.round(100 * row.gain)} of 100` }, gain, h("span", { class: "unseen" }, `${Math.round(100 * row.gain)} of 100`)),
      h("span", { role: "cell", class: "tags" }, row.tags.map((tag) => h("span", { class: "tag" }, tag))),
    );
    line.style.transform = `translateY(${index * ROW}px)`;
    return line;
  }

  // ---- keyboard

  get index() {
    const found = this.shown.findIndex((row) => row.id === kept.id);
    return found < 0 ? 0 : found;
  }

  #roving() {
    const now = this.index;
    for (const [index, line] of this.pool) line.tabIndex = index === now ? 0 : -1;
  }

  step(by) {
    if (!this.shown.length) return;
    const focused = document.activeElement?.closest?.(".row");
    const from = focused ? this.index : by > 0 ? -1 : 0;
    const index = Math.min(Math.max(from + by, 0), this.shown.length - 1);
    kept.id = this.shown[index].id;
    const top = index * ROW;
    const { scroller } = this;
    if (top < scroller.scrollTop) scroller.scrollTop = top;
    else if (top + ROW > scroller.scrollTop + scroller.clientHeight) scroller.scrollTop = top + ROW - scroller.clientHeight;
    this.draw();
    this.pool.get(index)?.focus({ preventScroll: true });
  }

  keys() {
    const page = () => Math.max(1, Math.floor(this.scroller.clientHeight / ROW) - 1);
    const focusedId = () => Number(document.activeElement?.closest?.(".row")?.dataset.id) || null;
    return [
      { keys: ["ArrowDown", "j"], words: "next reading", run: () => this.step(1), repeat: true, group: "List" },
      { keys: ["ArrowUp", "k"], words: "previous reading", run: () => this.step(-1), repeat: true, group: "List" },
      { keys: ["PageDown"], run: () => this.step(page()), repeat: true },
      { keys: ["PageUp"], run: () => this.step(-page()), repeat: true },
      { keys: ["Home"], run: () => this.step(-1e9) },
      { keys: ["End"], run: () => this.step(1e9) },
      { keys: ["Enter"], words: "open the reading", group: "List", run: () => this.#enter(focusedId()) },
      { keys: ["u"], words: "undo the decision on it", group: "List", run: () => this.#undo(focusedId()) },
      { keys: ["/"], words: "search", group: "List", run: () => this.search.focus() },
      { keys: ["?"], words: "this sheet", group: "General", run: () => sheet() },
    ];
  }

  #enter(id) {
    const chosen = id ?? this.shown[0]?.id;
    if (chosen) this.go(chosen);
  }

  async #undo(id) {
    const row = this.rows.find((each) => each.id === id);
    if (!row || row.state === "proposed") {
      toast("There is no decision to undo on this reading.");
      return;
    }
    if (!me.name) {
      toast("Say who you are first (top right).");
      return;
    }
    await this.undo(row);
    await this.load();
  }
}
