// The page of how consistent the keyboard is: what is worst, and one plot at a time, in the scheme's colours. A dot or a
// row takes its note in hand: it plays, with a neighbour at a key, the queue's word on it, and the way to it.

import { isDark, onScheme } from "./colours.js";
import { get, make, announce } from "./desk.js";
import { Player } from "./player.js";

const by = (id) => document.getElementById(id);
const player = new Player(new Audio());
const { api, all } = by("consistency").dataset;
const at = { plot: null, dots: [], dot: -1, change: null, made: null, note: null, turn: 0 };
const SOON_MS = 700, EVERY_MS = 3000;

// The plots are made for paper; in dark mode ink and rules are inverted, and the darkest tones become lighter ones.
const BY_NIGHT = {
  "#1d1b18": "#eee8dc", "#cfc8ba": "#413c35", "#b3001b": "#ee9a7c", "#8a4a12": "#e0b25c", "#0072b2": "#6cb4e4",
  "#5c564d": "#b8ae9c", "#d55e00": "#ef8f4a", "#009e73": "#4fc3a0", "#fff": "#191816",
};

async function begin() {
  let answer;
  try {
    at.change = await (await fetch(`${api}/change`)).text();
    answer = await get(`${api}/consistency${all}`);
  } catch (error) { by("waiting").textContent = error.message; return false; }
  const { holds, report, made_at } = answer;
  by("waiting").hidden = holds && !report.empty;
  if (!holds) by("waiting").textContent = report ? "Something has changed since this was made; what is new appears by itself." : "Comparing every note with its neighbours …";
  else if (report.empty) by("waiting").textContent = report.empty;
  if (report && made_at !== at.made) showReport(report);
  at.made = made_at;
  return holds;
}

function showReport(report) {
  for (const id of ["overview", "plots"]) by(id).hidden = Boolean(report.empty);
  by("outliers").hidden = !report.strays.length;
  if (report.empty) return;
  const worst = report.worst ?? []; // none in a sheet made by an earlier version
  by("worst").hidden = !worst.length;
  by("nothing-stands-out").hidden = Boolean(worst.length);
  by("worst-rows").replaceChildren(...worst.map(worstRow));
  by("sentences").replaceChildren(...report.sentences.map((text) => make("li", { text })));
  by("more").hidden = !report.more.length;
  by("more").querySelector("ul").replaceChildren(...report.more.map((text) => make("li", { text })));
  const chosen = by("figure").selectedOptions[0]?.textContent;
  by("figure").replaceChildren(...report.plots.map(({ name, left_out }, n) => make("option", { text: name, value: n, selected: name === chosen, "data-left-out": left_out })));
  by("outlier-rows").replaceChildren(...report.strays.map(outlierRow));
  by("all-outliers").textContent = report.all_strays > report.strays.length ? `The first ${report.strays.length} of ${report.all_strays}.` : "";
  showPlot();
}

const cell = (text, properties = {}) => make("td", { ...properties, text });
const headed = (head) => ({ class: "broad", "data-head": head }); // the card of a phone says it too

function worstRow({ what, where, audible, do: remedy, dots }) {
  return make("tr", {}, make("th", { scope: "row", text: what }), cell(where), cell(audible, headed("Heard?")), cell(remedy, headed("What to do")), make("td", { class: "broad" }, ...dots.map((dot) => playButton(dot, `${dot.take}:${dot.note}`))));
}

function outlierRow(one) {
  return make("tr", {}, make("th", { scope: "row", text: one.take }), cell(one.note, { class: "n", "data-head": "Note" }), cell(one.cell), cell(one.why, { class: "broad" }), cell(one.queue, headed("Queue")), make("td", {}, playButton(one, "Play")));
}

function playButton({ take_id, take, note }, text) {
  const button = make("button", { type: "button", "aria-label": `Play ${take} note ${note}`, text });
  button.addEventListener("click", () => hear(take_id, note, take));
  return button;
}

async function showPlot() {
  const option = by("figure").selectedOptions[0];
  if (!option) return;
  try { at.plot = (await get(`${api}/consistency/${option.value}${all}`)).svg; } catch (error) { return announce(error.message); }
  const left = Number(option.dataset.leftOut);
  by("left-out").textContent = left ? `${left} dots of usual notes are left out, so that the rest can be told apart; bands and lines were made from all.` : "";
  paint();
}

function paint() {
  if (!at.plot) return;
  const text = isDark() ? at.plot.replace(/#[0-9a-f]{6}\b|#fff\b/g, (tone) => BY_NIGHT[tone] ?? tone) : at.plot;
  const figure = new DOMParser().parseFromString(text, "text/html").querySelector("svg");
  by("plot").replaceChildren(document.importNode(figure, true));
  at.dots = [...by("plot").querySelectorAll("[data-note]")].map((dot) => ({ dot, box: dot.getBBox() }));
  at.dots.sort((a, b) => panel(a) - panel(b) || a.box.x - b.box.x || a.box.y - b.box.y);
  at.dot = -1;
}

const panel = ({ box }) => Math.floor((box.y - 44) / 128); // as triage/sheets/figure.py stacks them

function point(dot) {
  by("plot").querySelector(".at")?.classList.remove("at");
  dot?.classList.add("at");
  by("at-dot").textContent = dot ? dot.dataset.label : "";
}

function hearDot(dot) {
  const [takeId, note] = dot.dataset.note.split(":").map(Number);
  return hear(takeId, note, dot.dataset.label.split(" ")[0]);
}

/** Take a note in hand and play it; what the queue says of it is asked for anew each time. */
async function hear(takeId, note, name) {
  const turn = ++at.turn;
  try {
    const take = await get(`/api/takes/${takeId}`);
    if (turn !== at.turn) return;
    at.note = { takeId, note, name, mic: take.measured_mic };
    by("in-hand").hidden = false;
    by("in-hand-name").textContent = `${name}, note ${note}`;
    by("in-hand-queue").textContent = queueText(take, note);
    by("open-take").href = `/s/${take.session_id}/queue?take=${takeId}&note=${note}`;
    await player.play([{ url: `/audio/takes/${takeId}/notes/${note}/${encodeURIComponent(take.measured_mic)}`, fromS: 0, mic: take.measured_mic, take: null }]);
  } catch (error) { announce(`Cannot be played: ${error.message}`); }
}

function queueText({ notes, spots, verdicts }, number) {
  const said = Object.entries(verdicts.people).map(([person, { take, notes: own }]) => [person, own[number] ?? take]).filter(([, verdict]) => verdict);
  if (said.length) return said.map(([person, verdict]) => `${person}: ${verdict}`).join(", ");
  const doubt = notes.find((one) => one.number === number)?.doubt ?? null;
  const why = spots.find((one) => one.note === number)?.why;
  return doubt === null ? "not judged yet" : `in the queue at a doubt of ${Math.round(100 * doubt)} %${why ? `: ${why}` : ""}`;
}

async function hearNeighbour() {
  if (!at.note) return;
  const { takeId, note, mic } = at.note;
  try {
    const { neighbours: [best] } = await get(`/api/takes/${takeId}/notes/${note}/neighbours?n=1`);
    if (!best) return announce("No good neighbour: nothing like it within two semitones");
    announce(`${best.take}, note ${best.note}: ${best.why}`);
    await player.play([{ url: best.audio, fromS: 0, mic, take: null }]);
  } catch (error) { announce(`Cannot be played: ${error.message}`); }
}

function key(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("select, input")) return;
  if (event.key === "Escape") player.stop();
  else if (event.key.toLowerCase() === "n") hearNeighbour();
  else if (event.key.toLowerCase() === "o" && at.note) location.assign(by("open-take").href);
}

function walk(event) {
  const steps = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 10, ArrowUp: -10 };
  if (event.key === "Enter" || event.key === " ") { event.preventDefault(); return at.dots[at.dot] && hearDot(at.dots[at.dot].dot); }
  if (!(event.key in steps) || !at.dots.length) return;
  event.preventDefault();
  at.dot = Math.max(0, Math.min(at.dots.length - 1, at.dot + steps[event.key]));
  point(at.dots[at.dot].dot);
}

/** Ask again soon while something is being made, and now and then whether the session changed. */
async function keepUp(holds) {
  setTimeout(async () => {
    if (document.hidden) return keepUp(holds);
    const now = holds ? await fetch(`${api}/change`).then((answer) => answer.text(), () => at.change) : null;
    keepUp(holds && now === at.change ? holds : await begin());
  }, holds ? EVERY_MS : SOON_MS);
}

by("figure").addEventListener("change", showPlot);
by("plot").addEventListener("keydown", walk);
by("plot").addEventListener("click", (event) => { const dot = event.target.closest("[data-note]"); if (dot) { at.dot = at.dots.findIndex((one) => one.dot === dot); point(dot); hearDot(dot); } });
by("plot").addEventListener("pointerover", (event) => { const dot = event.target.closest("[data-note]"); if (dot) point(dot); });
by("hear-again").addEventListener("click", () => at.note && hear(at.note.takeId, at.note.note, at.note.name));
by("hear-neighbour").addEventListener("click", hearNeighbour);
document.addEventListener("keydown", key);
onScheme(paint);
keepUp(await begin());
