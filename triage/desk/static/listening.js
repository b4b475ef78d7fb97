// Playback: what each listening key plays, and what is fetched ahead so that it plays at once.

import { get, announce } from "./desk.js";
import { Drawings } from "./drawings.js";
import { micNow, micsOf, noteNow, placeNow, state } from "./current.js";
import { Player } from "./player.js";

const MICS_AHEAD = 3; // microphones whose spot is fetched before it is asked for
export const player = new Player(document.getElementById("stream"));
export const drawings = new Drawings();
const neighbours = new Map();

const cut = (take, mic, startS, endS) => ({ url: `${mic.audio}&start_s=${startS.toFixed(3)}&end_s=${endS.toFixed(3)}`, fromS: startS, mic: mic.name, take });
const clipOf = (take, mic, spot) => cut(take, mic, spot.play.start_s, spot.play.end_s);

/** Fetch what a take will need before it is on the screen: the sound of its first spot and its pictures. */
export function prepare(take) {
  const spot = take.spots[0], mic = micsOf(take, spot)[0];
  if (!mic) return;
  drawings.of(take, mic);
  if (spot) player.prefetch(clipOf(take, mic, spot).url);
}

/** Fetch what the current spot may need next: other microphones, its neighbour, the next spot. */
export function prepareSpot() {
  const { take } = state, spot = placeNow();
  if (!spot) return;
  for (const mic of micsOf(take, spot).slice(state.micAt, state.micAt + MICS_AHEAD)) player.prefetch(clipOf(take, mic, spot).url);
  const next = take.spots[state.spotAt + 1];
  if (next) player.prefetch(clipOf(take, micsOf(take, next)[0], next).url);
  if (spot.note) neighbourOf(take, spot).then((found) => found && player.prefetch(soundOf(found, take, spot))).catch(() => {});
}

function neighbourOf(take, spot) {
  const name = `${take.id} ${take.audio_digest} ${spot.note}`;
  if (!neighbours.has(name)) {
    const asked = get(`/api/takes/${take.id}/notes/${spot.note}/neighbours`).then((answer) => answer.neighbours[0]);
    asked.catch(() => neighbours.delete(name));
    neighbours.set(name, asked);
  }
  return neighbours.get(name);
}

/** Return the address of a neighbour's note on the microphone in use, as loud as the current note. */
function soundOf(other, take, spot) {
  const mic = micNow()?.name ?? take.measured_mic;
  return `/audio/takes/${other.take_id}/notes/${other.note}/${encodeURIComponent(mic)}?like_take=${take.id}&like_note=${spot.note}`;
}

const sound = (start) => async (...given) => {
  if (!state.take) return;
  if (!micNow()) return announce("No microphone of this take has arrived");
  try { await start(...given); } catch (error) { if (error.name !== "AbortError") announce(`Cannot be played: ${error.message}`); }
};

/** What the listening keys do; `onMic` is called when another microphone is in use. */
export const hear = {
  onMic: () => {},
  spot: sound(() => (placeNow() ? player.play([clipOf(state.take, micNow(), placeNow())]) : hear.take())),
  play: () => (player.playing ? player.stop() : hear.spot()),
  loop: () => { player.loops = !player.loops; announce(player.loops ? "Plays again and again" : "Plays once"); },
  mic: sound(() => {
    state.micAt = (state.micAt + 1) % state.take.mics.length;
    hear.onMic();
    prepareSpot();
    return hear.spot();
  }),
  neighbour: sound(async () => {
    const { take } = state, spot = placeNow();
    const other = spot?.note ? await neighbourOf(take, spot) : null;
    if (!other) return announce("No good neighbour is known for this spot");
    const name = `note ${other.note} of ${other.take}`;
    announce(`The spot, then ${name}: ${other.why}`);
    await player.play([clipOf(take, micNow(), spot), { url: soundOf(other, take, spot), fromS: other.start_s, mic: "", take: null, name }]);
  }),
  note: sound(() => {
    const note = noteNow() || state.take.notes[0];
    if (!note) return hear.take();
    player.rest();
    return player.play([cut(state.take, micNow(), Math.max(0, note.start_s - 0.15), note.ring_end_s ?? note.end_s + 0.5)]);
  }),
  take: sound((fromS = 0) => { player.rest(); return player.stream({ url: micNow().audio, mic: micNow().name, take: state.take }, fromS); }),
  stop: () => player.stop(),
  louder: () => announce(`Level ${signed(player.louder(1))} dB`),
  quieter: () => announce(`Level ${signed(player.louder(-1))} dB`),
};

const signed = (db) => (db > 0 ? `+${db}` : `${db}`.replace("-", "−"));
