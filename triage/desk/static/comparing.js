// Comparison: the note in hand and the good notes to hear it against: their curves, and the spectrogram of the one that is
// compared with now. All of them were recorded on the same microphone, and are put on one time axis by their onsets.

import { get } from "./desk.js";
import { fetchPicture } from "./drawings.js";

const KEPT = 40;
const kept = new Map();

/** Return {own, neighbours}: curves of the note; its neighbours, each with its `curves`. Fetched once. */
export function comparison(take, number, mic) {
  const note = take.notes.find((one) => one.number === number);
  if (!note || !mic) return Promise.resolve({ own: null, neighbours: [] });
  return once(`${take.id} ${take.audio_digest} ${number} ${mic.name}`, async () => {
    const name = encodeURIComponent(mic.name);
    const address = (takeId, of) => `/api/takes/${takeId}/notes/${of}/curves/${name}`;
    const [own, { neighbours }] = await Promise.all([
      get(address(take.id, number)).catch(() => null),
      get(`/api/takes/${take.id}/notes/${number}/neighbours?mic=${name}`),
    ]);
    const curves = await Promise.all(neighbours.map((one) => get(address(one.take_id, one.note)).catch(() => null)));
    return { own, neighbours: neighbours.map((one, at) => ({ ...one, curves: curves[at] })) };
  });
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
