// Comparison: the note in hand and the good notes to hear it against: their curves, and the spectrogram of the one that is
// compared with now; the curves of the cell's other repetitions. All of them were recorded on the same microphone, and are
// put on one time axis by their onsets.

import { get } from "./desk.js";
import { fetchPicture } from "./drawings.js";

const KEPT = 160;
const kept = new Map();

/**
 * Return {own, neighbours, repetitions}: curves of the note; its neighbours, each with its `curves`; where the other
 * repetitions of its cell are. `of`: level, loudness or brightness. Fetched once.
 */
export function comparison(take, number, mic, of = "level") {
  const note = take.notes.find((one) => one.number === number);
  if (!note || !mic) return Promise.resolve({ own: null, neighbours: [], repetitions: [] });
  return once(`${take.id} ${take.audio_digest} ${number} ${mic.name} ${of}`, async () => {
    const [own, { neighbours, repetitions }] = await Promise.all([
      curvesOf({ take_id: take.id, note: number }, mic, of, take.audio_digest),
      get(`/api/takes/${take.id}/notes/${number}/neighbours?mic=${encodeURIComponent(mic.name)}`),
    ]);
    const curves = await Promise.all(neighbours.map((one) => curvesOf(one, mic, of)));
    return { own, neighbours: neighbours.map((one, at) => ({ ...one, curves: curves[at] })), repetitions };
  });
}

/** Return the curves of the other repetitions of a note's cell. */
export const repetitionCurves = (repetitions, mic, of) => Promise.all(repetitions.map((one) => curvesOf(one, mic, of)));

function curvesOf({ take_id, note }, mic, of, version = "") {
  const address = `/api/takes/${take_id}/notes/${note}/curves/${encodeURIComponent(mic.name)}?of=${of}&v=${version}`;
  return once(address, () => get(address)).catch(() => null);
}

/** Return the spectrogram of a neighbour's take. */
export const pictureOf = (neighbour) => once(neighbour.picture, () => fetchPicture(neighbour.picture));

function once(name, make) {
  if (!kept.has(name)) {
    const made = make();
    made.catch(() => kept.delete(name));
    kept.set(name, made);
    if (kept.size > KEPT) kept.delete(kept.keys().next().value);
  }
  return kept.get(name);
}
