// Lanes: one measurement over time below the spectrograms: the note's pitch in cents or its level in dB, the neighbours
// on the same axis, and the value that the judge expected with its band. Beside them a scale, true to its unit: the value
// found, the one expected, the band, and what the neighbours read. A band holds 19 of 20 good notes.

import { amount, MEASUREMENTS } from "./format.js";
import { label } from "./shapes.js";

const KINDS = { intonation: ["cents"], "wrong-note": ["cents"], steadiness: ["level"], attack: ["level"], level: ["level"], length: ["level"], release: ["level"], tone: ["brightness"] };
const OF_PITCH = ["attack_jump_cents", "attack_unvoiced", "cents_spread", "vibrato_cents"];
// Lengths of time that a lane shows as a band over time, each from the moment that it counts from.
const TIMES = {
  attack_s: (note) => note.start_s,
  length_s: (note) => note.start_s,
  body_s: (note) => note.start_s,
  tail_s: (note) => note.end_s,
  release_s: (note) => note.start_s + (note.values.body_s ?? note.end_s - note.start_s),
};
const USUAL_TIME = { attack: "attack_s", length: "length_s", release: "tail_s" };
const STARTS = [["attack_20_db", 0.02], ["attack_50_db", 0.05], ["attack_100_db", 0.1]];
const OF_KIND = { intonation: "cents", level: "level_dbfs", length: "length_s", attack: "attack_s", release: "tail_s", steadiness: "steadiness_db", tone: "centroid_hz" };

/** Return the lanes that show a spot, the most telling first; both where there is none, or no single cause. */
export const lanesOf = (spot) => (OF_PITCH.includes(spot?.measurement) ? ["cents"] : spot?.measurement === "loudness_lufs" ? ["loudness"] : KINDS[spot?.kind] ?? ["level", "cents"]);

/** Return the segment of a take that shows a kind of spot on a note. */
export function segmentOf(kind, note, take) {
  const last = note.ring_end_s ?? note.end_s;
  const [from, to] = kind === "attack" ? [note.start_s - 0.1, note.start_s + 0.45]
    : kind === "release" ? [note.end_s - 0.35, last + 0.25]
    : [note.start_s - 0.2, Math.max(last + 0.15, note.start_s + 0.8)];
  return [Math.max(0, from), Math.min(take.duration_s || to, to)];
}

/** Return what the judge compared: {name, unit, label, found, expected, low, high} of a spot, or of a note's usual measurement. */
export function compared(note, spot) {
  const name = spot?.measurement ?? OF_KIND[spot?.kind ?? "level"];
  if (!name || !note) return null;
  const [expected, low, high] = note.expected[name] ?? [null, null, null];
  return { name, ...MEASUREMENTS[name], found: note.values[name] ?? null, expected, low, high };
}

/** Draw one lane into {top, high, wide}; `view` is {note, spot, own, neighbours, repetitions, chosen, colours, x, measured}. */
export function drawLane(context, what, box, view) {
  const { range: rangeOf, band } = LANES[what], range = rangeOf(view);
  const y = (value) => box.top + box.high * (1 - (value - range[0]) / (range[1] - range[0]));
  context.save();
  context.beginPath();
  context.rect(0, box.top, box.wide, box.high);
  context.clip();
  context.fillStyle = view.colours.ground;
  context.fillRect(0, box.top, box.wide, box.high);
  if (view.measured) band(context, box, view, y);
  for (const one of view.repetitions ?? []) curve(context, one, what, view, y, [1, view.colours.soft, [2, 2]]);
  for (const one of view.neighbours) curve(context, one.curves, what, view, y, [one === view.chosen ? 2 : 1, view.colours.green]);
  curve(context, view.own, what, view, y, [2.4, view.colours.brass]);
  ticks(context, what, box, range, y, view.colours);
  context.restore();
  context.strokeStyle = view.colours.rule;
  context.strokeRect(0.5, box.top + 0.5, box.wide - 1, box.high - 1);
}

function centsRange({ note, spot, measured }) {
  const [expected = 0, low = -20, high = 20] = (measured && note.expected.cents) || [];
  const found = note.values.cents ?? 0, middle = spot?.kind === "wrong-note" ? 0 : expected;
  const reach = Math.max(30, 1.4 * Math.abs(found - middle), 1.3 * (high - low) / 2);
  return [middle - reach, middle + reach];
}

function levelRange({ note, spot, own, chosen }) {
  const level = note.expected.level_dbfs;
  if (spot?.kind === "level" && level) return around(level, note.values.level_dbfs);
  const highest = Math.max(...[own, chosen?.curves].map((one) => Math.max(...(one?.level?.dbfs ?? [-60]))), level?.[2] ?? -120);
  return [highest - 46, highest + 5];
}

const loudnessRange = ({ note }) => around(note.expected.loudness_lufs ?? [note.values.loudness_lufs ?? -30, -40, -20], note.values.loudness_lufs);

/** Return a range of levels that holds what was expected, its band, and what was found. */
function around([expected, low, high], found) {
  const reach = Math.max(9, 1.5 * Math.abs((found ?? expected) - expected), 1.2 * (high - low));
  return [expected - reach, expected + reach];
}

function brightnessRange({ note, own, chosen }) {
  const curves = [own, chosen?.curves].flatMap((one) => one?.level?.hz ?? []);
  const all = [...curves, ...(note.expected.centroid_hz ?? []), note.values.centroid_hz].filter(Boolean);
  if (!all.length) return [0, 1];
  const low = Math.min(...all), most = Math.max(...all), room = 0.12 * (most - low) || 1;
  return [low - room, most + 2 * room];
}

const brightnessBand = (context, box, view, y) => heldBand(context, box, view, y, "centroid_hz");

/** A note is as loud as its loudest 0.4 s: the band lies where the curve's top should. */
const loudnessBand = (context, box, view, y) => heldBand(context, box, view, y, "loudness_lufs");

/** Draw what was expected of a measurement, and its band, over the time that the note is held. */
function heldBand(context, box, { note, colours, x }, y, name) {
  const expected = note.expected[name], from = x(note.start_s), to = x(note.end_s);
  if (!expected) return;
  across(context, { ...box, left: from, wide: Math.max(2, to - from) }, y(expected[2]), y(expected[1]), colours);
  dashes(context, [from, y(expected[0]), to, y(expected[0])], colours);
}

function centsBand(context, box, { note, spot, colours }, y) {
  const [expected, low, high] = note.expected.cents ?? [spot?.kind === "wrong-note" ? 0 : null, null, null];
  if (low !== null) across(context, box, y(high), y(low), colours);
  if (expected !== null) dashes(context, [0, y(expected), box.wide, y(expected)], colours);
}

/** The level's band lies over the time that the note is held; lengths of time are bands from top to bottom. */
function levelBand(context, box, { note, spot, colours, x }, y) {
  const level = note.expected.level_dbfs, from = x(note.start_s + 0.1), to = x(note.end_s);
  if (level && to > from) {
    across(context, { ...box, left: from, wide: to - from }, y(level[2]), y(level[1]), colours);
    dashes(context, [from, y(level[0]), to, y(level[0])], colours);
  }
  if (spot?.kind === "attack") startBand(context, note, colours, x, y);
  const name = spot?.measurement in TIMES ? spot.measurement : USUAL_TIME[spot?.kind];
  const time = name && note.expected[name];
  if (!time) return;
  const zero = TIMES[name](note), [at, low, high] = time.map((s) => x(zero + s));
  context.globalAlpha = 0.3;
  context.fillStyle = colours.green;
  context.fillRect(low, box.top, Math.max(2, high - low), box.high);
  context.globalAlpha = 1;
  dashes(context, [at, box.top, at, box.top + box.high], colours);
  const found = x(zero + note.values[name]);
  context.fillStyle = colours.brass;
  context.fillRect(found - 1, box.top, 2.5, box.high);
}

/** How loud the neighbours are 20, 50 and 100 ms after the onset, against the level they reach. */
function startBand(context, note, colours, x, y) {
  const reached = note.values.level_dbfs, points = STARTS.filter(([name]) => note.expected[name]);
  if (reached === null || points.length < 2) return;
  context.globalAlpha = 0.3;
  context.fillStyle = colours.green;
  context.beginPath();
  for (const [name, s] of points) context.lineTo(x(note.start_s + s), y(reached + note.expected[name][2]));
  for (const [name, s] of [...points].reverse()) context.lineTo(x(note.start_s + s), y(reached + note.expected[name][1]));
  context.fill();
  context.globalAlpha = 1;
}

function across(context, { left = 0, wide }, from, to, colours) {
  context.globalAlpha = 0.3;
  context.fillStyle = colours.green;
  context.fillRect(left, from, wide, Math.max(2, to - from));
  context.globalAlpha = 1;
}

function dashes(context, [x1, y1, x2, y2], colours) {
  context.strokeStyle = colours.ink;
  context.lineWidth = 1;
  context.setLineDash([5, 4]);
  context.beginPath();
  context.moveTo(x1, y1);
  context.lineTo(x2, y2);
  context.stroke();
  context.setLineDash([]);
}

function curve(context, curves, what, { note, x }, y, [width, colour, dashed = []]) {
  const found = what === "cents" ? curves?.pitch : curves?.level, values = found?.[LANES[what].values];
  if (!values) return;
  context.strokeStyle = colour;
  context.lineWidth = width;
  context.setLineDash(dashed);
  context.beginPath();
  let pen = false;
  values.forEach((value, index) => {
    if (value !== null) context[pen ? "lineTo" : "moveTo"](x(note.start_s + found.from_s + index * found.hop_s), y(value));
    pen = value !== null;
  });
  context.stroke();
  context.setLineDash([]);
}

function ticks(context, what, { top, high }, [low, most], y, colours) {
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500].find((one) => (high * one) / (most - low) > 22) ?? 500;
  for (let value = Math.ceil(low / step) * step; value < most; value += step)
    if (y(value) > top + 12 && y(value) < top + high - 4) label(context, amountOf(value), 3, y(value) + 4, colours.soft, colours.ground);
  label(context, LANES[what].text, 40, top + 13, colours.soft, colours.ground);
}

const LANES = {
  cents: { text: "cents from the sheet's pitch", values: "cents", range: centsRange, band: centsBand },
  level: { text: "level, dBFS", values: "dbfs", range: levelRange, band: levelBand },
  brightness: { text: "brightness: middle of the partials, Hz", values: "hz", range: brightnessRange, band: brightnessBand },
  loudness: { text: "loudness over 0.4 s, LUFS", values: "lufs", range: loudnessRange, band: loudnessBand },
};

const amountOf = (value) => String(value).replace("-", "−");

/** Draw the scale: band, expected value, the value found, and the neighbours', true to the unit. */
export function drawScale(context, { left, top, high, wide }, what, neighbours, colours) {
  const others = neighbours.map((one) => one.values?.[what.name]).filter((one) => one !== null && one !== undefined);
  const all = [what.found, what.expected, what.low, what.high, ...others].filter((one) => one !== null);
  if (what.found === null || !all.length) return;
  const least = Math.min(...all), most = Math.max(...all), room = 0.12 * (most - least || Math.abs(most) || 1);
  const y = (value) => top + 34 + (high - 46) * (1 - (value - least + room) / (most - least + 2 * room)), x = left + 16;
  context.fillStyle = colours.soft;
  context.fillText(what.label, left + 8, top + 13, wide - 10);
  context.strokeStyle = colours.rule;
  context.strokeRect(x + 0.5, top + 24.5, 12, high - 28);
  if (what.low !== null) across(context, { left: x, wide: 13 }, y(what.high), y(what.low), colours);
  if (what.expected !== null) dashes(context, [x - 5, y(what.expected), x + 18, y(what.expected)], colours);
  context.fillStyle = colours.green;
  for (const other of others) context.fillRect(x + 3, y(other) - 1, 7, 2);
  context.fillStyle = colours.brass;
  context.fillRect(x - 4, y(what.found) - 2, 21, 4);
  words(context, what, y, x + 23, left + wide, colours);
}

/** Write the value found and the one expected beside the scale; on a narrow screen the word stands under its number. */
function words(context, what, y, x, right, colours) {
  const lines = [[what.found, "found", colours.ink], [what.expected, "expected", colours.soft]].filter(([value]) => value !== null).sort((a, b) => y(a[0]) - y(b[0]));
  let last = -Infinity;
  for (const [value, name, colour] of lines) {
    const number = amount(value, what.unit), parts = context.measureText(`${number} ${name}`).width > right - x ? [number, name] : [`${number} ${name}`];
    last = Math.max(y(value) + 4, last + 15);
    context.fillStyle = colour;
    parts.forEach((part, at) => context.fillText(part, x, last + 14 * at, right - x));
    last += 14 * (parts.length - 1);
  }
}
