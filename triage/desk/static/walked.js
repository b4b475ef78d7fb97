// Disputed takes in a row: what people differ on, one after the other, whoever has heard it. In place of the queue's own
// takes ahead (upcoming.js), with the same methods; nothing is leased, for a dispute is everybody's.

import { get } from "./desk.js";

const AHEAD = 3, MOST = 200;

export class WalkedTakes {
  constructor(sessionId, ready) {
    Object.assign(this, { sessionId, ready, takes: [], done: new Set(), off: new Set(), left: null, others: [], named: null });
  }

  /** Fetch the disputed takes ahead; the one on the screen stays, as it is now. */
  async fill() {
    const address = `/api/s/${this.sessionId}`;
    const [{ takes }, left] = await Promise.all([get(`${address}/list?show=disputed&n=${MOST}`), get(`${address}/left`)]);
    this.left = left;
    const open = takes.filter((one) => !this.done.has(one.id));
    if (open.length && open.every((one) => this.off.has(one.id))) this.off.clear();
    const shown = this.takes[0]?.id;
    const ids = [...new Set([...(shown ? [shown] : []), ...open.filter((one) => !this.off.has(one.id)).map((one) => one.id)])];
    const found = await Promise.all(ids.slice(0, AHEAD).map((id) => get(`/api/takes/${id}`)));
    this.takes = found.filter((one) => !this.done.has(one.id) && !this.off.has(one.id)); // left while they were fetched
    this.takes.forEach(this.ready);
    return this.takes[0];
  }

  get first() { return this.takes[0]; }

  decide() { return this.#leave(this.done); }

  putOff() { return this.#leave(this.off); }

  bringBack(take) {
    this.done.delete(take.id);
    this.off.delete(take.id);
    this.takes = [take, ...this.takes.filter((one) => one.id !== take.id)];
  }

  acknowledged() { /* what is settled leaves the list by itself */ }

  giveBack() { /* nothing was taken */ }

  #leave(where) {
    const take = this.takes.shift();
    where.add(take.id);
    return take;
  }
}
