// One reading being reviewed: its changes, undo, the server's recomputation, drafts that survive.

import { Away, get, me, pause, post, Refused } from "./api.js";

export const NOTHING = { landmarks: {}, swap: false, view: null, side: null, instruments: null };

const copy = (value) => JSON.parse(JSON.stringify(value));
const sorted = (value) =>
  JSON.stringify(value, (_, v) =>
    v && typeof v === "object" && !Array.isArray(v)
      ? Object.fromEntries(Object.entries(v).sort(([a], [b]) => (a < b ? -1 : 1)))
      : typeof v === "number"
        ? Math.round(v * 1e4) / 1e4
        : v,
  );
export const equal = (a, b) => sorted(a) === sorted(b);

const DRAFT = (id) => `squareon draft ${id}`;

export function draftOf(id) {
  try {
    return JSON.parse(localStorage.getItem(DRAFT(id)));
  } catch {
    return null;
  }
}

/** Ids of readings with a draft. */
export const drafts = () =>
  Object.keys(localStorage)
    .filter((name) => name.startsWith("squareon draft "))
    .map((name) => Number(name.slice(15)));

export class Session extends EventTarget {
  constructor(described) {
    super();
    this.take(described);
  }

  static async open(id) {
    return new Session(await get(`/api/reading/${id}`));
  }

  take(described) {
    Object.assign(this, described);
    this.settled = copy(this.changes);
    this.past = [];
    this.future = [];
    this.selected = null;
    // Whether a decision may be set above an earlier one (after a merge).
    this.over = false;
  }

  get dirty() {
    return !equal(this.changes, this.settled);
  }

  get changed() {
    return !equal(this.changes, NOTHING);
  }

  /** Names that a person placed, in the changes as they are. */
  get own() {
    return new Set(Object.keys(this.changes.landmarks).filter((name) => this.changes.landmarks[name]));
  }

  // ---- changing

  #remember() {
    this.past.push(copy(this.changes));
    if (this.past.length > 200) this.past.shift();
    this.future = [];
  }

  /** Applies `edit(changes)`; `live`: part of a drag whose start was remembered already. */
  change(edit, { live = false } = {}) {
    if (!live) this.#remember();
    edit(this.changes);
    this.#keep();
    this.recompute();
  }

  begin() {
    this.#remember();
  }

  undo() {
    if (!this.past.length) return false;
    this.future.push(copy(this.changes));
    this.changes = this.past.pop();
    this.#keep();
    this.recompute();
    return true;
  }

  redo() {
    if (!this.future.length) return false;
    this.past.push(copy(this.changes));
    this.changes = this.future.pop();
    this.#keep();
    this.recompute();
    return true;
  }

  replace(changes) {
    this.change((own) => {
      for (const name of Object.keys(own)) delete own[name];
      Object.assign(own, copy(NOTHING), copy(changes));
    });
  }

  #keep() {
    try {
      if (this.dirty) {
        const draft = { revision: this.revision, changes: this.changes, at: new Date().toISOString() };
        localStorage.setItem(DRAFT(this.id), JSON.stringify(draft));
      } else localStorage.removeItem(DRAFT(this.id));
    } catch {
      // A full store of the browser only means that drafts do not survive.
    }
  }

  forget() {
    localStorage.removeItem(DRAFT(this.id));
  }

  // ---- recomputing: one call under way, the latest changes next

  async recompute() {
    this.wanted = performance.now();
    if (this.busy) {
      this.again = true;
      return;
    }
    this.#working(true);
    try {
      do {
        this.again = false;
        const began = this.wanted;
        const asked = copy(this.changes);
        const answer = await post(`/api/recompute/${this.id}`, { changes: asked });
        this.shown = answer.shown;
        this.drawn = answer.drawn;
        this.dispatchEvent(new CustomEvent("shown", { detail: { latest: !this.again } }));
        performance.measure("change to update", { start: began, end: performance.now() });
      } while (this.again);
    } catch (error) {
      this.dispatchEvent(new CustomEvent("failed", { detail: error }));
    } finally {
      this.#working(false);
    }
  }

  #working(busy) {
    this.busy = busy;
    this.dispatchEvent(new Event("working"));
  }

  /** Waits until what is shown belongs to the changes. */
  async settledDown() {
    while (this.busy) await pause(15);
  }

  // ---- deciding

  /**
   * Sends a decision and goes on trying while the server is away. Resolves with the reading as
   * it then stands; throws `Refused`, status 409 where someone else was first.
   */
  async decide(kind, reason = "", onAway = () => {}) {
    const body = { expected_revision: this.revision, kind, changes: copy(this.changes), reason };
    for (let tries = 0; ; tries++) {
      try {
        const found = await post(`/api/decide/${this.id}`, body);
        this.forget();
        return found;
      } catch (error) {
        // The answer may have been lost after the decision was written: then it is there.
        if (error instanceof Refused && error.status === 409 && tries > 0 && this.#isMine(error.body.theirs, body)) {
          this.forget();
          return get(`/api/reading/${this.id}`);
        }
        if (!(error instanceof Away)) throw error;
        onAway(tries);
        await pause(Math.min(300 * 1.5 ** tries, 3000));
      }
    }
  }

  #isMine(theirs, body) {
    const kinds = { accept: ["accept", "accept_with_changes"], reject: ["reject"], reopen: ["reopen"], second: ["second"] };
    return (
      theirs.who === me.name &&
      kinds[body.kind].includes(theirs.kind) &&
      theirs.reason === body.reason.trim() &&
      theirs.revision === body.expected_revision + 1 &&
      (body.kind !== "accept" || equal(theirs.changes, body.changes))
    );
  }
}
