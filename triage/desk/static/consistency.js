// The page of how consistent the keyboard is: shows the report and one plot at a time, in the scheme's colours; a dot plays
// its note, by the mouse or by the arrow keys and Enter.

import { isDark, onScheme } from "./colours.js";
import { get, make, announce } from "./desk.js";
import { Player } from "./player.js";

const by = (id) => document.getElementById(id);
const player = new Player(new Audio());
const takes = new Map();
const { api, all } = by("consistency").dataset;
const at = { plot: null, dots: [], dot: -1, change: null, made: null };
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
  for (const id of ["summary", "plots"]) by(id).hidden = Boolean(report.empty);
  by("outliers").hidden = !report.strays.length;
  if (report.empty) return;
  by("sentences").replaceChildren(...report.sentences.map((text) => make("li", { text })));
  by("more").hidden = !report.more.length;
  by("more").querySelector("ul").replaceChildren(...report.more.map((text) => make("li", { text })));
  const chosen = by("figure").selectedOptions[0]?.textContent;
  by("figure").replaceChildren(...report.plots.map(({ name, left_out }, n) => make("option", { text: name, value: n, selected: name === chosen, "data-left-out": left_out })));
  by("outlier-rows").replaceChildren(...report.strays.map(outlierRow));
  by("all-outliers").textContent = report.all_strays > report.strays.length ? `The ${report.strays.length} furthest off of ${report.all_strays}.` : "";
  showPlot();
}

function outlierRow(one) {
  const button = make("button", { type: "button", "aria-label": `Play ${one.take} note ${one.note}`, text: "Play" });
  button.addEventListener("click", () => hear(one.take_id, one.note, one.take));
  return make("tr", {}, make("th", { scope: "row", text: one.take }), make("td", { class: "n", text: one.note }), make("td", { text: one.cell }), make("td", { text: one.why }), make("td", {}, button));
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

async function hear(takeId, note, name) {
  try {
    if (!takes.has(takeId)) takes.set(takeId, await get(`/api/takes/${takeId}`));
    const { measured_mic: mic } = takes.get(takeId);
    announce(`${name}, note ${note}`);
    await player.play([{ url: `/audio/takes/${takeId}/notes/${note}/${encodeURIComponent(mic)}`, fromS: 0, mic, take: null }]);
  } catch (error) { announce(`Cannot be played: ${error.message}`); }
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
document.addEventListener("keydown", (event) => event.key === "Escape" && player.stop());
onScheme(paint);
keepUp(await begin());
