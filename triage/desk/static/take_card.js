// The card of a take: what is wrong with it in words, found beside expected, its spots, and people's verdicts on it.

import { make } from "./desk.js";
import { onNotes } from "./recent.js";
import { curveNow, ownNotes, ownTake, state, targets } from "./current.js";
import { amount, MEASUREMENTS, family, percent, pitchName, inWords, place, span } from "./format.js";

// A take that comes again unannounced shows nothing of that: whoever hears it should judge it afresh.
const REASONS = {
  learning: "Out of turn, for the model to learn from: it is unsure of this take, and nothing like it was heard yet",
  random: "Out of turn, as part of a random sample: it shows how many rejects the unheard takes still hold",
  second: "Dealt to two people on purpose, to see how far you agree: what the other said is not shown yet",
};

const by = (id) => document.getElementById(id);

/** Show a take with the spot or the note in hand. */
export function showCard(take, spot, note) {
  const cell = [take.instrument, take.articulation, take.dynamic].filter(Boolean).join(" ");
  by("cell").replaceChildren(
    make("strong", { text: take.take }), ` ${cell || "not on the take sheet"}`,
    make("span", { class: "soft", text: ` · place ${take.rank ?? "–"} · ${likely(take.doubt)} · ${span(take.duration_s)}${take.remark ? ` · ${take.remark}` : ""}` }),
  );
  by("statement").textContent = spot ? statement(take, spot) : note ? `${nameOf(note)}: nothing stands out` : quiet(take);
  const why = take.back ? `Back again: ${take.back}` : REASONS[take.shown] ?? "";
  by("back").textContent = why;
  by("back").title = why;
  showMeasure(spot, note);
  showSpots(take, spot);
  showNumbers(take, note, spot);
  showVerdicts(take);
}

/** Return the text on a spot: the note, its pitch, and why. */
export function statement(take, spot) {
  const note = take.notes.find((one) => one.number === spot.note);
  return note ? `${nameOf(note)}: ${spot.why}` : spot.why;
}

function nameOf(note) {
  const pitch = pitchName(note.sheet_midi ?? note.pitch_midi);
  return `Note ${note.number}${pitch ? `, ${pitch}` : ""}`;
}

/** Show the notes of the take in a row: what is in hand, what is marked, where spots are, what was said. */
export function showNotes(take) {
  const own = ownNotes(), all = ownTake();
  const items = take.notes.map((note) => {
    const spot = take.spots.find((one) => one.note === note.number);
    const said = own[note.number] ?? all;
    const words = [nameOf(note), spot && inWords(spot.kind), state.marked.has(note.number) && "marked", said].filter(Boolean).join(", ");
    return make("li", {}, make("button", { type: "button", class: `note${spot ? " has-spot" : ""}`, "data-note": note.number, "aria-label": words, title: words,
      "aria-current": note.number === state.noteAt ? "true" : null, "aria-pressed": state.marked.has(note.number) ? "true" : null },
      make("b", { text: note.number }), ` ${pitchName(note.sheet_midi ?? note.pitch_midi)}`, said ? make("span", { class: `verdict ${said}`, "aria-hidden": "true" }) : null));
  });
  by("notes").replaceChildren(...items);
  keepInSight(by("notes"));
}

/** Scroll a list, and nothing around it, so far that its current entry shows. */
function keepInSight(list) {
  const current = list.querySelector("[aria-current]")?.getBoundingClientRect(), frame = list.getBoundingClientRect();
  if (!current) return;
  list.scrollLeft += Math.max(0, current.right - frame.right) + Math.min(0, current.left - frame.left);
  list.scrollTop += Math.max(0, current.bottom - frame.bottom) + Math.min(0, current.top - frame.top);
}

/** Say what a verdict would be on now. */
export function showTarget(take) {
  const notes = targets(), own = ownNotes();
  const rejected = take.notes.map((one) => one.number).filter((number) => own[number] === "reject");
  const on = state.whole || !notes.length ? `Verdict on the whole take, ${take.notes.length} note${take.notes.length === 1 ? "" : "s"}` : `Verdict on${onNotes(notes)}`;
  const so = rejected.length ? ` · rejected so far:${onNotes(rejected)}; accept leaves that as it is` : "";
  by("target").textContent = state.settles ? `${on.replace("Verdict on", "Settles")}: with a reason (digit) or a comment`
    : !state.judges ? "Verdicts are for editors, producers and leads"
    : state.settledBy ? `${on}, as yours; the ${state.settledBy} settles what people differ on` : `${on}${so}`;
}

function quiet(take) {
  return take.problem ? `Not analysed: ${take.problem}` : "Nothing stands out in this take";
}

function likely(doubt) {
  if (doubt === null || doubt === undefined) return "not judged";
  const word = doubt >= 0.7 ? "very doubtful" : doubt >= 0.35 ? "doubtful" : doubt >= 0.1 ? "a little doubtful" : "hardly doubtful";
  return `${word} (${percent(doubt)})`;
}

/** Show what was found beside what was expected. */
function showMeasure(spot, note) {
  const known = spot && spot.found !== null && spot.expected !== null && spot.unit !== "sigma";
  const parts = [];
  if (known) {
    parts.push(make("span", {}, make("b", { text: amount(spot.found, spot.unit) }), " found"));
    parts.push(make("span", {}, make("b", { text: amount(spot.expected, spot.unit) }), " expected"));
    const band = note?.expected[spot.measurement];
    if (band && spot.unit !== "MIDI") parts.push(make("span", { class: "soft", text: `usually ${amount(band[1], spot.unit)} to ${amount(band[2], spot.unit)}` }));
  }
  if (spot) parts.push(make("span", { class: "soft", text: `${inWords(spot.kind)}, ${percent(spot.doubt)} likely${spot.mic ? `, ${family(spot.kind) === "noise" ? "loudest " : ""}on ${spot.mic}` : ""}, at ${place(spot.start_s)}` }));
  if (spot?.details) parts.push(make("details", {}, make("summary", { text: "details" }), spot.details));
  by("measured").replaceChildren(...parts);
}

/** Show the measurements of the note in hand, the one that its spot was found by first. */
function showNumbers(take, note, spot) {
  by("numbers-head").textContent = note ? `Note ${note.number} of ${take.notes.length}` : `${take.notes.length} notes`;
  const usual = [["cents", "tuning"], ["length_s", "length"], ["level_dbfs", "level"], ["attack_s", "attack"]];
  const shown = new Map([...(spot?.measurement ? [[spot.measurement, MEASUREMENTS[spot.measurement].label]] : []), ...usual]);
  if (curveNow() === "loudness") shown.delete("level_dbfs"); // one unit of level on a card
  const rows = note ? [...shown].slice(0, 4).map(([name, label]) => [label, amount(note.values[name], MEASUREMENTS[name].unit)]) : [];
  by("numbers").replaceChildren(...rows.map(([label, text]) => make("div", {}, make("dt", { text: label }), make("dd", { text }))));
}

function showSpots(take, spot) {
  const items = take.spots.map((one) => {
    const text = [place(one.start_s), one.note && `note ${one.note}`, percent(one.doubt)].filter(Boolean).join(" · ");
    const button = make("button", { type: "button", class: "spot", "aria-current": one === spot ? "true" : null, "data-spot": take.spots.indexOf(one) },
      make("span", { class: `family ${family(one.kind)}` }), make("b", { text: inWords(one.kind) }), make("span", { class: "soft", text: ` ${text}` }));
    return make("li", {}, button);
  });
  by("spots").replaceChildren(...items);
  if (!items.length) by("spots").append(make("li", { class: "soft", text: "none" }));
  keepInSight(by("spots"));
}

/** Show where people differ, and what each said and why; a verdict that was superseded or taken back is left out. */
export function showVerdicts(take) {
  const { history: all = [], disagreements = [] } = take.verdicts || {};
  const box = by("verdicts");
  box.replaceChildren();
  for (const split of disagreements)
    box.append(make("p", { class: "split", text: `People differ on ${split.note ? `note ${split.note}` : "the take"}: ${names(split.accept)} accept, ${names(split.reject)} reject.` }));
  for (const one of all.filter((entry) => entry.stands)) box.append(line(one));
  if (!box.childElementCount) box.append(make("p", { class: "soft", text: "nothing yet" }));
}

const names = (list) => list.join(", ");
const line = ({ verdict, note, by: person, reason, comment, settles }) => make("p", {}, make("span", { class: `verdict ${verdict}`, text: verdict }),
  make("span", { class: "soft", text: ` ${note ? `note ${note}` : "the take"}, ${person}${settles ? ", settles it" : ""}${reason ? `: ${inWords(reason)}` : ""}${comment ? ` “${comment}”` : ""}` }));
