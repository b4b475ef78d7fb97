// The card of a take: what is wrong with it in words, found beside expected, its spots, and people's verdicts on it.

import { draw, make } from "./desk.js";
import { amount, family, percent, pitchName, inWords, place, span } from "./format.js";

// A take that comes again unannounced shows nothing of that: whoever hears it should judge it afresh.
const REASONS = {
  learning: "Out of turn, for the model to learn from: it is unsure of this take, and nothing like it was heard yet",
  random: "Out of turn, as part of a random sample: it shows how many rejects the unheard takes still hold",
};

const by = (id) => document.getElementById(id);

/** Show a take with its current spot. */
export function showCard(take, spot, scope) {
  const cell = [take.instrument, take.articulation, take.dynamic].filter(Boolean).join(" ");
  by("cell").replaceChildren(
    make("strong", { text: take.take }), ` ${cell || "not on the take sheet"}`,
    make("span", { class: "soft", text: ` · place ${take.rank ?? "–"} · ${likely(take.doubt)} · ${span(take.duration_s)}${take.remark ? ` · ${take.remark}` : ""}` }),
  );
  by("statement").textContent = spot ? statement(take, spot) : quiet(take);
  const why = take.back ? `Back again: ${take.back}` : REASONS[take.shown] ?? "";
  by("back").hidden = !why;
  by("back").textContent = why;
  showMeasure(spot);
  showSpots(take, spot);
  showNumbers(take, spot);
  showVerdicts(take);
  document.body.dataset.scope = scope;
}

/** Return the text on a spot: the note, its pitch, and why. */
export function statement(take, spot) {
  const note = take.notes.find((one) => one.number === spot.note);
  const name = pitchName(note?.sheet_midi ?? note?.pitch_midi);
  return spot.note ? `Note ${spot.note}${name ? `, ${name}` : ""}: ${spot.why}` : spot.why;
}

function quiet(take) {
  return take.problem ? `Not analysed: ${take.problem}` : "Nothing stands out in this take";
}

function likely(doubt) {
  if (doubt === null || doubt === undefined) return "not judged";
  const word = doubt >= 0.7 ? "very doubtful" : doubt >= 0.35 ? "doubtful" : doubt >= 0.1 ? "a little doubtful" : "hardly doubtful";
  return `${word} (${percent(doubt)})`;
}

/** Draw found and expected on one line: a hollow bar where the neighbours are, a diamond where this note is. */
function showMeasure(spot) {
  const known = spot && spot.found !== null && spot.expected !== null && spot.unit !== "sigma";
  const gauge = by("gauge");
  gauge.toggleAttribute("hidden", !known);
  const parts = [];
  if (known) {
    parts.push(make("span", {}, make("b", { text: amount(spot.found, spot.unit) }), " found"));
    parts.push(make("span", {}, make("b", { text: amount(spot.expected, spot.unit) }), " expected"));
    drawGauge(gauge, spot);
  }
  if (spot) parts.push(make("span", { class: "soft", text: `${inWords(spot.kind)}, ${percent(spot.doubt)} likely${spot.mic ? `, ${family(spot.kind) === "noise" ? "loudest " : ""}on ${spot.mic}` : ""}, at ${place(spot.start_s)}` }));
  by("measured").replaceChildren(...parts);
}

function drawGauge(gauge, { found, expected, unit }) {
  gauge.setAttribute("viewBox", "0 0 220 26");
  gauge.setAttribute("aria-label", `${amount(found, unit)} found, ${amount(expected, unit)} expected`);
  const more = found >= expected, at = more ? 176 : 44;
  gauge.replaceChildren(
    draw("line", { class: "rail", x1: 4, x2: 216, y1: 13, y2: 13 }),
    draw("rect", { class: "usual", x: 98, y: 5, width: 24, height: 16, rx: 2 }),
    draw("line", { class: "way", x1: more ? 122 : 98, x2: at, y1: 13, y2: 13 }),
    draw("path", { class: "found", d: `M${at} 3l9 10l-9 10l-9 -10z` }),
  );
}

/** Show the measurements of the current note. */
function showNumbers(take, spot) {
  const note = take.notes.find((one) => one.number === spot?.note);
  by("numbers-head").textContent = note ? `Note ${note.number} of ${take.notes.length}` : `${take.notes.length} notes`;
  const rows = note ? [["tuning", note.cents, "cents"], ["length", note.length_s, "s"], ["level", note.level_dbfs, "dBFS"], ["attack", note.attack_s, "s"]] : [];
  by("numbers").replaceChildren(...rows.map(([name, value, unit]) => make("div", {}, make("dt", { text: name }), make("dd", { text: amount(value, unit) }))));
}

function showSpots(take, spot) {
  const items = take.spots.map((one) => {
    const text = `${place(one.start_s)} ${one.note ? `note ${one.note} ` : ""}`;
    const button = make("button", { type: "button", class: "spot", "aria-current": one === spot ? "true" : null, "data-spot": take.spots.indexOf(one) },
      make("span", { class: `family ${family(one.kind)}` }), make("b", { text: inWords(one.kind) }), make("span", { class: "soft", text: ` ${text}${percent(one.doubt)}` }));
    return make("li", {}, button);
  });
  by("spots").replaceChildren(...items);
  if (!items.length) by("spots").append(make("li", { class: "soft", text: "none" }));
  by("spots").querySelector("[aria-current]")?.scrollIntoView({ block: "nearest" });
}

/** Show every person's standing verdict, where they disagree, and their comments. */
export function showVerdicts(take) {
  const { history: all = [], people = {}, disagreements = [] } = take.verdicts || {};
  const box = by("verdicts");
  box.replaceChildren();
  for (const split of disagreements)
    box.append(make("p", { class: "split", text: `You differ on ${split.note ? `note ${split.note}` : "the take"}: ${names(split.accept)} accept, ${names(split.reject)} reject.` }));
  for (const [name, words] of Object.entries(people)) {
    if (words.take) box.append(line(name, "the take", words.take));
    for (const [note, word] of Object.entries(words.notes || {})) box.append(line(name, `note ${note}`, word));
  }
  for (const one of all.filter((entry) => entry.comment && !entry.taken_back))
    box.append(make("p", { class: "soft", text: `“${one.comment}” ${one.by}` }));
  if (!box.childElementCount) box.append(make("p", { class: "soft", text: "nothing yet" }));
}

const names = (list) => list.join(", ");
const line = (name, what, word) => make("p", {}, make("span", { class: `verdict ${word}`, text: word }), make("span", { class: "soft", text: ` ${what}, ${name}` }));
