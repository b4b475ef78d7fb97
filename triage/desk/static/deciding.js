// Deciding: what the verdict keys do. A reject is of the note in hand, or of the marked notes, or of the whole take where
// that key was pressed; an accept takes the take as it stands, notes rejected before staying rejected. What was decided
// is kept in the outbox until the desk has it, and can be taken back step by step or one by one.

import { announce, get } from "./desk.js";
import { deliver } from "./delivery.js";
import { inBrief, onNotes, Recent } from "./recent.js";
import { inWords } from "./format.js";
import { ownNotes, spotNow, state, takeNote, takeSpot, targets } from "./current.js";
import { Outbox } from "./outbox.js";
import { remember, showPending } from "./remaining.js";
import { showVerdicts } from "./take_card.js";

const by = (id) => document.getElementById(id);

export class Decisions {
  /** `ahead` are the takes ahead; `page` shows: {show(take, spotAt), redraw(), advance(), left(left)}. */
  constructor(sessionId, person, ahead, page) {
    Object.assign(this, { sessionId, ahead, page, takes: new Map() });
    this.outbox = new Outbox(`${person}.${sessionId}`, (entry) => deliver(sessionId, person, entry), showPending);
    this.outbox.onAnswer = (entry, answer) => this.#answered(entry, answer);
    this.recent = new Recent(by("recent"), `${person}.${sessionId}`, (id) => this.undo(id));
  }

  /** Give a verdict on what it is meant for: accept on marked notes or the take, unsure likewise, reject on the note. */
  decide(verdict) {
    const { take } = state;
    if (!take) return;
    const notes = verdict === "reject" || state.marked.size || state.settles ? targets() : [];
    if (notes.length && !state.settles && notes.every((note) => ownNotes()[note] === verdict)) return announce(`You said ${verdict} on${onNotes(notes)} already`);
    const reason = state.reason ?? (verdict === "accept" ? null : spotNow()?.kind ?? null);
    const comment = by("comment").value.trim() || null;
    if (state.settles && verdict === "unsure") return announce("A dispute is settled by accept or reject; later puts it off");
    if (state.settles && !reason && !comment) return announce("A dispute is settled with a reason: choose one by its digit, or write a comment");
    const body = { notes, verdict, reason, comment, audio_digest: take.audio_digest, shown: take.shown ?? null, settles: state.settles };
    const { key } = this.outbox.put({ kind: "verdict", takeId: take.id, body });
    this.#remember({ id: key, takeId: take.id, take: take.take, spotAt: state.spotAt, notes, verdict, reason, comment }, take);
    giveComment(take.id, "");
    announce(`${take.take}${onNotes(notes)}: ${verdict}${reason ? `, ${inWords(reason)}` : ""}`);
    if (state.settles) return; // what is left of the dispute the desk says
    if (notes.length) return this.#afterNotes(notes, verdict);
    this.ahead.decide();
    this.page.advance();
  }

  /** Put a take off until nothing else is left. */
  later() {
    const { take } = state;
    if (!take) return;
    this.#remember({ id: `later ${take.id} ${Date.now()}`, takeId: take.id, take: take.take, spotAt: state.spotAt, verdict: "later" }, take);
    announce(`${take.take} is put off`);
    this.ahead.putOff();
    this.page.advance();
  }

  /** Take a decision back: the one with this id, else the last; one from before this page's memory the desk knows. */
  undo(id) {
    const last = this.recent.remove(id);
    if (!last) {
      this.outbox.put({ kind: "undo", takeId: null, body: { steps: 1 }, shown: false });
      return announce("Taking back your last verdict of this session");
    }
    const { takeId, notes = [], verdict } = last, take = this.takes.get(takeId);
    if (verdict !== "later") {
      const of = notes.length ? notes.map((note) => `${last.id}.${note}`) : [last.id];
      this.outbox.put({ kind: "undo", takeId: notes.length ? null : takeId, body: { of }, shown: Boolean(take) });
    }
    if (take) this.#bringBack(take, last);
    else get(`/api/takes/${takeId}`).then((found) => this.#bringBack(found, last), (error) => announce(error.message));
    announce(`Taken back: ${verdict} on ${inBrief(last)}`);
  }

  #bringBack(take, { spotAt, notes = [], comment }) {
    const own = take.verdicts?.people?.[state.person]?.notes ?? {};
    for (const note of notes) delete own[note];
    this.ahead.bringBack(take);
    this.page.show(take, spotAt);
    if (comment) giveComment(take.id, comment); // typed once, it need not be typed again
  }

  #remember(decision, take) {
    this.takes.set(take.id, take);
    if (this.takes.size > 50) this.takes.delete(this.takes.keys().next().value);
    this.recent.add(decision);
  }

  /** Show the verdict on the notes at once, and go on to the next spot of a note without one; else the rest is left. */
  #afterNotes(notes, verdict) {
    const { take } = state, verdicts = (take.verdicts ??= {});
    const people = (verdicts.people ??= {}), own = (people[state.person] ??= { take: null, notes: {} });
    for (const note of notes) own.notes[note] = verdict;
    Object.assign(state, { whole: false, reason: null });
    state.marked.clear();
    const next = take.spots.findIndex((spot, at) => at > state.spotAt && !(spot.note in own.notes) && spot.note !== null);
    if (next >= 0) takeSpot(next);
    else takeNote(notes.at(-1));
    this.page.redraw();
    if (next < 0) announce(`${take.take}${onNotes(notes)}: ${verdict}. Now the take as it stands`);
  }

  /** Go on to what else of the take people differ on; where there is nothing, to the next take. */
  #afterSettling([split]) {
    state.marked.clear();
    if (split) {
      if (split.note !== null) takeNote(split.note);
      return this.page.redraw();
    }
    this.ahead.decide();
    this.page.advance();
  }

  async #answered(entry, answer) {
    if (answer.left) this.page.left((this.ahead.left = answer.left));
    if (entry.kind === "verdict") {
      this.ahead.acknowledged(entry.takeId);
      if (entry.takeId === state.take?.id) { state.take.verdicts = answer.verdicts; showVerdicts(state.take); }
      return entry.body.settles && entry.takeId === state.take?.id ? this.#afterSettling(answer.verdicts.disagreements) : undefined;
    }
    const back = answer.taken_back?.[0];
    if (!back) return announce("There is nothing of yours left to take back");
    const take = await get(`/api/takes/${back.take_id}`).catch(() => null);
    if (!take || (entry.shown && state.take?.id !== back.take_id)) return;
    this.ahead.bringBack(take);
    this.page.show(take, entry.shown ? state.spotAt : 0);
    if (!entry.shown) announce(`Taken back: ${back.verdict} on ${back.take}${back.note ? ` note ${back.note}` : ""}`);
  }
}

/** Put a comment into its field and keep it beside the take until there is a verdict; nothing empties both. */
export function giveComment(takeId, text) {
  remember(`comment.${takeId}`, text || null);
  by("comment").value = text;
}
