// The page of how even the keyboard is: draws the report's figures in the scheme's colours; a dot plays its note, by
// the mouse or by the arrow keys and Enter.

import { ink, isDark, onScheme } from "./colours.js";
import { get, make, say } from "./desk.js";
import { Player } from "./player.js";

const by = (id) => document.getElementById(id);
const player = new Player(new Audio());
const takes = new Map();
const at = { figure: null, dot: -1 };
let report = null;

// The figures are made for paper; in a dark room ink and rules turn round, and the darkest tones become lighter ones.
const BY_NIGHT = {
  "#1d1b18": "#eee8dc", "#e5dfd2": "#413c35", "#b3001b": "#ee9a7c", "#8a4a12": "#e0b25c", "#0072b2": "#6cb4e4",
  "#5c564d": "#b8ae9c", "#d55e00": "#ef8f4a", "#009e73": "#4fc3a0",
};
const scheme = (value) =>
  Array.isArray(value) ? value.map(scheme)
    : value && typeof value === "object" ? Object.fromEntries(Object.entries(value).map(([name, one]) => [name, scheme(one)]))
      : typeof value === "string" && isDark() ? BY_NIGHT[value] || value : value;

async function begin() {
  try { report = await get(by("evenness").dataset.report); } catch (error) { return (by("waiting").textContent = error.message); }
  by("waiting").hidden = !report.empty;
  by("waiting").textContent = report.empty || "";
  if (report.empty) return;
  by("sentences").replaceChildren(...report.sentences.map((text) => make("li", { text })));
  by("more").hidden = !report.more.length;
  by("more").querySelector("ul").replaceChildren(...report.more.map((text) => make("li", { text })));
  by("figure").replaceChildren(...Object.keys(report.figures).map((name) => make("option", { text: name })));
  by("strays").replaceChildren(...report.strays.map(strayRow));
  for (const id of ["told", "drawn"]) by(id).hidden = false;
  by("astray").hidden = !report.strays.length;
  showFigure();
}

function strayRow(one) {
  const button = make("button", { type: "button", "aria-label": `Play ${one.take} note ${one.note}`, text: "Play" });
  button.addEventListener("click", () => hear([one.take_id, one.take, one.note]));
  return make("tr", {}, make("th", { scope: "row", text: one.take }), make("td", { text: one.note }), make("td", { text: one.cell }), make("td", { text: one.why }), make("td", {}, button));
}

async function showFigure() {
  const figure = report.figures[by("figure").value];
  if (!figure) return;
  const { data, layout } = scheme(figure);
  layout.hoverlabel = { ...layout.hoverlabel, bgcolor: ink("raised"), bordercolor: ink("edge"), font: { color: ink("ink") } };
  at.figure = dotsOf(data);
  at.dot = -1;
  by("plot").style.height = `${layout.height + 2}px`; // else a resize leaves the frame behind and the plot outside it
  await Plotly.react(by("plot"), data, layout, { displayModeBar: false, responsive: true });
  by("plot").removeAllListeners?.("plotly_click");
  by("plot").on("plotly_click", ({ points }) => hear(points[0].customdata));
}

/** Return the dots that can be played, from left to right. */
function dotsOf(data) {
  const dots = data.flatMap((trace, curveNumber) =>
    (trace.customdata || []).map((key, pointNumber) => ({ key, curveNumber, pointNumber, x: trace.x[pointNumber], y: trace.y[pointNumber], text: trace.text?.[pointNumber], axes: `${trace.xaxis || "x"}${trace.yaxis || "y"}` })));
  return dots.filter((dot) => Array.isArray(dot.key) && dot.y !== null).sort((a, b) => a.axes.localeCompare(b.axes) || a.x - b.x || a.y - b.y);
}

async function hear(key) {
  if (!key) return;
  const [takeId, take, note] = key;
  try {
    if (!takes.has(takeId)) takes.set(takeId, await get(`/api/takes/${takeId}`));
    const { heard_on: mic } = takes.get(takeId);
    say(`${take}, note ${note}`);
    await player.play([{ url: `/audio/takes/${takeId}/notes/${note}/${encodeURIComponent(mic)}`, fromS: 0, mic, take: null }]);
  } catch (error) { say(`Cannot be played: ${error.message}`); }
}

function walk(event) {
  const dots = at.figure ?? [];
  const steps = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 10, ArrowUp: -10 };
  if (event.key === "Enter" || event.key === " ") { event.preventDefault(); return hear(dots[at.dot]?.key); }
  if (!(event.key in steps) || !dots.length) return;
  event.preventDefault();
  at.dot = Math.max(0, Math.min(dots.length - 1, at.dot + steps[event.key]));
  const dot = dots[at.dot];
  Plotly.Fx.hover(by("plot"), [{ curveNumber: dot.curveNumber, pointNumber: dot.pointNumber }], [dot.axes]);
  by("at-dot").textContent = `${dot.text ?? dot.key.join(" ")}: ${Number(dot.y).toPrecision(4)}`;
}

by("figure").addEventListener("change", showFigure);
by("plot").addEventListener("keydown", walk);
document.addEventListener("keydown", (event) => event.key === "Escape" && player.stop());
onScheme(() => report && !report.empty && showFigure());
begin();
