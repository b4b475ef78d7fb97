// The outbox: verdicts and undos, kept on this machine until the desk has them. Each entry carries a key of its own, so
// that sending it twice counts once. Entries go one after another, in the order given; while the desk is away they
// wait and are sent again; one that the desk refuses is kept apart and shown, never dropped in silence.

import { lineOf } from "./desk.js";

const WAITS_S = [0.5, 1, 2, 4, 8];

export class Outbox {
  /** `send(entry)` returns a Response; `onChange(state)` gets {waiting, refused, away} after every change. */
  constructor(name, send, onChange) {
    this.name = `triage.outbox.${name}`;
    this.send = send;
    this.onChange = onChange;
    this.away = false;
    addEventListener("online", () => this.flush());
    addEventListener("storage", (event) => event.key === this.name && this.#notify());
  }

  /** Keep an entry and try to send it; return it with its key. */
  put(entry) {
    const kept = { key: crypto.randomUUID?.() ?? randomKey(), ...entry };
    this.#change((state) => state.waiting.push(kept));
    this.flush();
    return kept;
  }

  get waiting() { return this.#read().waiting; }
  get refused() { return this.#read().refused; }

  /** Send what waits; two pages of one machine never send at once. */
  async flush() {
    clearTimeout(this.timer);
    const work = () => this.#drain();
    await (navigator.locks ? navigator.locks.request(this.name, work) : work());
  }

  forgetRefused() { this.#change((state) => (state.refused = [])); }

  async #drain() {
    for (let entry = this.waiting[0]; entry; entry = this.waiting[0]) {
      const outcome = await this.#attempt(entry);
      this.signedOut = Boolean(outcome.signedOut);
      if (outcome.again) return this.#later();
      this.tries = 0;
      this.away = false;
      this.#change((state) => {
        state.waiting = state.waiting.filter((one) => one.key !== entry.key);
        if (outcome.refusal) state.refused.push({ ...entry, refusal: outcome.refusal });
      });
      if (outcome.answer) this.onAnswer?.(entry, outcome.answer);
    }
  }

  async #attempt(entry) {
    try {
      const response = await this.send(entry);
      if (response.ok) return { answer: await response.json() };
      if (response.status >= 500 || response.status === 429) return { again: true };
      if (response.status === 401) return { again: true, signedOut: true };
      return { refusal: await lineOf(response) };
    } catch {
      return { again: true };
    }
  }

  #later() {
    this.away = true;
    this.#notify();
    const wait = WAITS_S[Math.min(this.tries ?? 0, WAITS_S.length - 1)];
    this.tries = (this.tries ?? 0) + 1;
    this.timer = setTimeout(() => this.flush(), 1000 * wait);
  }

  #change(how) {
    const state = this.#read();
    how(state);
    try { localStorage.setItem(this.name, JSON.stringify(state)); } catch { /* full or switched off: */ this.memory = state; }
    this.#notify();
  }

  #read() {
    if (this.memory) return this.memory;
    try { return JSON.parse(localStorage.getItem(this.name)) || { waiting: [], refused: [] }; }
    catch { return { waiting: [], refused: [] }; }
  }

  #notify() {
    const { waiting, refused } = this.#read();
    this.onChange({ waiting, refused, away: this.away && waiting.length > 0, signedOut: this.signedOut });
  }
}

/** Return the ids of the sessions that this machine keeps entries of a person for. */
export function outboxesOf(person) {
  const head = `triage.outbox.${person}.`;
  const names = Object.keys(localStorage).filter((name) => name.startsWith(head));
  return names.map((name) => name.slice(head.length)).filter((id) => /^\d+$/.test(id) && new Outbox(`${person}.${id}`, null, () => {}).waiting.length);
}

function randomKey() {
  return Array.from(crypto.getRandomValues(new Uint32Array(4)), (part) => part.toString(16)).join("-");
}
