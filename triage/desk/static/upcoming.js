// What comes next: the takes ahead, fetched before they are asked for. A take decided here is gone at once, whether or
// not the desk knows of it yet; one put off comes back when nothing else is left.

import { get } from "./desk.js";

const AHEAD = 3, MOST = 10; // takes kept ready; takes asked for at once
const AGAIN_MS = 100;

export class UpcomingTakes {
  /** `waiting()` gives the entries still in the outbox; `ready(take)` is called for each new take, to fetch its sound. */
  constructor(sessionId, waiting, ready) {
    this.sessionId = sessionId;
    this.waiting = waiting;
    this.ready = ready;
    this.takes = [];
    this.decided = new Map(); // take id -> when the desk had its verdict (null: not yet), by this page's clock
    this.off = new Set(stored(sessionId)); // ids of takes put off
    this.left = null;
  }

  /** Fetch the takes ahead; the one on the screen stays. */
  async fill() {
    const asked = performance.now();
    const many = Math.min(MOST, AHEAD + this.waiting().length + this.off.size);
    const answer = await get(`/api/s/${this.sessionId}/next?n=${many}`);
    this.left = answer.left;
    const open = answer.takes.filter((take) => !this.#settledSince(take.id, asked));
    if (answer.takes.length && !open.length && !this.takes.length) {
      // All of them were decided here while the desk was asked: what is left it knows once it has these verdicts.
      await new Promise((done) => setTimeout(done, AGAIN_MS));
      return this.fill();
    }
    if (open.length && open.every((take) => this.off.has(take.id))) this.off.clear();
    const now = open.filter((take) => !this.off.has(take.id));
    const shown = this.takes[0]; // as it is now: another may have come up while the desk was asked
    const same = now.find((take) => take.id === shown?.id);
    const changed = same && JSON.stringify(same) !== JSON.stringify(shown);
    this.takes = shown ? [changed ? same : shown, ...now.filter((take) => take.id !== shown.id)] : now;
    this.takes = this.takes.slice(0, AHEAD);
    this.takes.forEach(this.ready);
    return this.takes[0];
  }

  get first() { return this.takes[0]; }

  /** Take the first one off the list because it was decided. */
  decide() {
    const take = this.takes.shift();
    this.decided.set(take.id, null);
    return take;
  }

  /** Put the first one off. */
  putOff() {
    const take = this.takes.shift();
    this.off.add(take.id);
    this.#keep();
    return take;
  }

  /** Bring a take back to the front, because its verdict was taken back. */
  bringBack(take) {
    this.decided.delete(take.id);
    this.off.delete(take.id);
    this.takes = [take, ...this.takes.filter((one) => one.id !== take.id)];
  }

  /** Note that the desk has the verdict on a take: from now on its answers include it. */
  acknowledged(takeId) { this.decided.set(takeId, performance.now()); }

  /** Return whether a take was settled here after that answer was requested. */
  #settledSince(takeId, asked) {
    const when = this.decided.get(takeId);
    return this.#unsent().has(takeId) || when === null || when > asked;
  }

  #unsent() {
    const unsent = new Set();
    for (const entry of this.waiting()) {
      if (entry.kind === "verdict" && !entry.body.notes.length) unsent.add(entry.takeId);
      if (entry.kind === "undo") unsent.delete(entry.takeId);
    }
    return unsent;
  }

  #keep() {
    try { sessionStorage.setItem(`triage.off.${this.sessionId}`, JSON.stringify([...this.off])); } catch { /* this page only */ }
  }
}

function stored(sessionId) {
  try { return JSON.parse(sessionStorage.getItem(`triage.off.${sessionId}`)) || []; } catch { return []; }
}
