// The current state of the audition page: the take, the spot or note in hand, the notes that are marked, the reason that
// was chosen, the microphone, the neighbour compared with; whether verdicts
// settle disputes here, else who settles them (on the page of disputes). Nothing plays by itself before the person has begun, by a first key on this page.

export const state = {
  take: null, spotAt: -1, noteAt: null, micAt: 0, otherAt: 0, compared: false, marked: new Set(), whole: false, reason: null,
  itself: true, begun: false, judges: true, settles: false, settledBy: "", person: "",
};

/** Return the spot in hand; null where the person walked to a note without one, or the take has none. */
export const spotNow = () => state.take?.spots[state.spotAt] ?? null;
export const noteNow = () => state.take?.notes.find((one) => one.number === state.noteAt) ?? null;
export const micNow = () => (state.take ? micsOf(state.take, spotNow())[state.micAt] : undefined);

/** Return what is in hand as a place to hear and draw: the spot, else the whole note, else null. */
export function placeNow() {
  const spot = spotNow(), note = noteNow();
  if (spot || !note) return spot;
  const start_s = note.start_s, end_s = note.ring_end_s ?? note.end_s;
  return { start_s, end_s, note: note.number, kind: null, play: { start_s: Math.max(0, start_s - 0.15), end_s } };
}

/** Return which curve shows the spot in hand: brightness, loudness (then all levels on the page are in LUFS), else level. */
export const curveNow = () => (spotNow()?.measurement === "loudness_lufs" ? "loudness" : spotNow()?.kind === "tone" ? "brightness" : "level");

/** Return the microphones in the order to be heard: where the spot shows best first. */
export function micsOf(take, spot) {
  const first = spot?.mic || take.measured_mic;
  return [...take.mics].sort((a, b) => (b.name === first) - (a.name === first));
}

/** Take a spot in hand, and its note with it. */
export function takeSpot(at) {
  state.spotAt = at;
  state.noteAt = spotNow()?.note ?? null;
  Object.assign(state, { reason: null, otherAt: 0, compared: false });
}

/** Take a note in hand, and its most doubtful spot with it where it has one. */
export function takeNote(number) {
  state.noteAt = number;
  state.spotAt = state.take.spots.findIndex((one) => one.note === number);
  Object.assign(state, { reason: null, otherAt: 0, compared: false });
}

/** Return the notes that a verdict is on now; none means the whole take. */
export function targets() {
  const own = state.noteAt === null ? [] : [state.noteAt];
  const notes = state.whole ? [] : state.marked.size ? [...state.marked].sort((a, b) => a - b) : own;
  return notes.length === state.take.notes.length ? [] : notes;
}

/** Return this person's own standing verdicts on notes of the take: number -> verdict. */
export const ownNotes = () => state.take?.verdicts?.people?.[state.person]?.notes ?? {};

/** Return this person's standing verdict on the take as a whole, if there is one. */
export const ownTake = () => state.take?.verdicts?.people?.[state.person]?.take ?? null;
