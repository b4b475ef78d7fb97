// Playback: what each listening key plays, and what is fetched ahead so that it plays at once.

import { announce } from "./desk.js";
import { comparison } from "./comparing.js";
import { Drawings } from "./drawings.js";
import { curveNow, micNow, micsOf, noteNow, placeNow, state } from "./current.js";
import { Player } from "./player.js";

const MICS_AHEAD = 3; // microphones whose spot is fetched before it is asked for
export const player = new Player(document.getElementById("stream"));
export const drawings = new Drawings();
const BEFORE_S = 0.05; // the desk begins a note's sound so much before its onset

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
  const mic = micNow();
  if (spot.note) comparison(take, spot.note, mic, curveNow()).then(({ neighbours }) => { if (neighbours[0]) player.prefetch(soundOf(neighbours[0], take, spot)); }).catch(() => {});
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

/** What the listening keys do; `onMic` and `onNeighbour` are called when another one is in use. */
export const hear = {
  onMic: () => {},
  onNeighbour: () => {},
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
    const { neighbours } = spot?.note ? await comparison(take, spot.note, micNow(), curveNow()) : { neighbours: [] };
    if (!neighbours.length) return announce("No good neighbour is known here");
    state.otherAt = state.compared ? (state.otherAt + 1) % neighbours.length : 0; // the same key again: the next one
    state.compared = true;
    const other = neighbours[state.otherAt], name = `note ${other.note} of ${other.take}`;
    hear.onNeighbour();
    announce(`The spot, then ${name}: ${other.why}`);
    const clip = { url: soundOf(other, take, spot), fromS: Math.max(0, other.start_s - BEFORE_S), mic: "", take: null, name, other, besideNote: spot.note };
    await player.play([clipOf(take, micNow(), spot), clip]);
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
