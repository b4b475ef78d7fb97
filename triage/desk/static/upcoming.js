// What comes next: the takes ahead, fetched before they are asked for. The desk deals them to this person: they are nobody
// else's until they are given back or this page is not heard of for a while. A take decided here is gone at once, whether
// or not the desk knows of it yet; one put off comes back when nothing else is left.

import { get, lineOf, renewToken, send } from "./desk.js";

const AHEAD = 3, MOST = 50; // takes kept ready; takes asked for at once
const AGAIN_MS = 100, PATIENCE_MS = 20000;

export class UpcomingTakes {
  /**
   * `waiting()` gives the entries still in the outbox; `ready(take)` is called for each new take, to fetch its sound;
   * whoever only looks on (`judges` false) has nothing dealt to them.
   */
  constructor(sessionId, { person, judges }, waiting, ready) {
    this.person = person;
    this.judges = judges;
    this.others = []; // takes on other people's screens: {take_id, take, by}
    this.named = null; // id of the take that was opened by its link, whoever else has it
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
    const many = this.#wanted();
    const showing = this.takes[0]?.id ?? null;
    const answer = await (this.judges ? this.#deal(many, showing) : get(`/api/s/${this.sessionId}/next?n=${many}`));
    Object.assign(this, { left: answer.left, others: answer.others });
    const elsewhere = new Set(answer.others.map((one) => one.take_id));
    if (this.judges) this.takes = this.takes.filter((take) => take.id === this.named || !elsewhere.has(take.id));
    const open = answer.takes.filter((take) => !this.#settledSince(take.id, asked));
    if (answer.takes.length && !open.length && !this.takes.length) {
      // All of them were decided here while the desk was asked: what is left it knows once it has these verdicts.
      await new Promise((done) => setTimeout(done, AGAIN_MS));
      return this.fill();
    }
    if (open.length && open.every((take) => this.off.has(take.id))) {
      // Some may have been put off since this was asked for: whether others are left shows when as many more are.
      if (answer.takes.length === many && many < this.#wanted()) return this.fill();
      this.off.clear();
    }
    const now = open.filter((take) => !this.off.has(take.id));
    const shown = this.takes[0]; // as it is now: another may have come up while the desk was asked
    const same = now.find((take) => take.id === shown?.id) ?? (answer.showing?.id === shown?.id ? answer.showing : undefined);
    const changed = same && JSON.stringify(same) !== JSON.stringify(shown);
    this.takes = shown ? [changed ? same : shown, ...now.filter((take) => take.id !== shown.id)] : now;
    this.takes = this.takes.slice(0, AHEAD);
    this.takes.forEach(this.ready);
    return this.takes[0];
  }

  /** Give all takes back, because nobody sits at this page; it may be closing. What is being dealt to it is called off. */
  giveBack() {
    this.dealing?.abort();
    return this.judges ? send(`/api/s/${this.sessionId}/give-back`, {}, { keepalive: true }).catch(() => { /* they end by themselves */ }) : null;
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

  #wanted() { return Math.min(MOST, AHEAD + this.waiting().length + this.off.size); }

  /** Have takes dealt; a log-in that ran out and was renewed by the same person lets this page go on. */
  async #deal(n, showing) {
    this.dealing = new AbortController();
    const signal = AbortSignal.any([this.dealing.signal, AbortSignal.timeout(PATIENCE_MS)]);
    const ask = () => send(`/api/s/${this.sessionId}/deal`, { n, showing }, { signal });
    let answer = await ask();
    if (answer.status === 403 && (await renewToken(this.person))) answer = await ask();
    if (!answer.ok) throw new Error(await lineOf(answer));
    return answer.json();
  }

  #keep() {
    try { sessionStorage.setItem(`triage.off.${this.sessionId}`, JSON.stringify([...this.off])); } catch { /* this page only */ }
  }
}

function stored(sessionId) {
  try { return JSON.parse(sessionStorage.getItem(`triage.off.${sessionId}`)) || []; } catch { return []; }
}
