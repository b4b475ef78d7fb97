// Presence: whether somebody sits at this page. While they do, it tells the desk now and then that the takes on it are
// still theirs; without a key for a while, or when the page is closed, it gives them back.

import { announce } from "./desk.js";

const RENEWALS = 3; // within the time that a lease lasts

export class Presence {
  /** `leaseS` and `idleS` are seconds; `refill()` asks the desk again; `listens()` tells whether something plays. */
  constructor({ leaseS, idleS }, ahead, refill, listens) {
    Object.assign(this, { leaseMs: 1000 * leaseS, idleMs: 1000 * idleS, ahead, refill, listens, away: false, last: Date.now() });
  }

  watch() {
    for (const name of ["keydown", "pointerdown"]) addEventListener(name, () => this.#here(), true);
    addEventListener("pagehide", () => this.ahead.giveBack());
    addEventListener("pageshow", (event) => event.persisted && this.refill());
    setInterval(() => this.#look(), Math.min(this.leaseMs / RENEWALS, this.idleMs / RENEWALS));
  }

  #here() {
    this.last = Date.now();
    if (!this.away) return;
    this.away = false;
    document.getElementById("others").textContent = "";
    this.refill();
  }

  #look() {
    if (this.listens()) this.last = Date.now();
    if (this.away) return;
    if (Date.now() - this.last < this.idleMs) return this.refill();
    this.away = true;
    this.ahead.giveBack();
    document.getElementById("others").textContent = "Nobody has pressed a key here for a while: these takes are given back to the others. Any key goes on.";
    announce("These takes are given back to the others; any key goes on", false);
  }
}
