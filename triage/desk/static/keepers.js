// The library put together by ear: one key plays the notes of cell after cell, others lock and free them, and play the
// kept notes up and down the keyboard and through the dynamics.

import { announce, get, post } from "./desk.js";
import { Player } from "./player.js";

const player = new Player(new Audio());
const page = () => document.getElementById("keepers");
const notes = (root = document) => [...root.querySelectorAll(".keep-note")];
const takes = new Map(), done = [];
const last = { pitch: null, group: null }; // the cell that N played
const at = () => (document.activeElement?.matches?.(".keep-note") ? document.activeElement : null);
const nameOf = (note) => `${note.dataset.take}:${note.dataset.note}`;

async function clip(note) {
  const id = note.dataset.takeId;
  if (!takes.has(id)) takes.set(id, await get(`/api/takes/${id}`));
  const mic = document.getElementById("keeper-mic").value || takes.get(id).measured_mic;
  return { url: `/audio/takes/${id}/notes/${note.dataset.note}/${encodeURIComponent(mic)}`, fromS: 0, mic, take: nameOf(note) };
}

/** Play notes one after another; `follow` takes each in hand as it sounds. */
async function play(list, follow = false) {
  try {
    const clips = await Promise.all(list.map(clip));
    for (const [place, note] of list.entries()) {
      document.querySelectorAll(".keep-note.plays").forEach((one) => one.classList.remove("plays"));
      note.classList.add("plays");
      if (follow) document.getElementById(note.id)?.focus();
      show(note);
      const turn = player.turn + 1;
      await player.play([clips[place]]);
      if (player.turn !== turn) break; // stopped, or something else plays
    }
  } catch (error) { announce(`Cannot be played: ${error.message}`); }
  document.querySelectorAll(".keep-note.plays").forEach((one) => one.classList.remove("plays"));
}

const show = (note) => (document.getElementById("keeper-now").textContent = note.dataset.label);

/** The kept notes of this repetition in the group of the note in focus, from there on up or down. */
function along(note, step) {
  const wanted = document.getElementById("keeper-rep").value, cells = [...note.closest(".keep-cells").children];
  const from = cells.indexOf(note.closest(".keep-cell")), way = step > 0 ? cells.slice(from) : cells.slice(0, from + 1).reverse();
  return way.map((cell) => notes(cell).find((one) => one.dataset.repetition === wanted)).filter(Boolean);
}

const SOFT_TO_LOUD = ["ppp", "pp", "p", "mp", "mf", "f", "ff", "fff"];

/** The kept notes of this repetition at the pitch of the note in focus, from the softest dynamic to the loudest. */
function through(note) {
  const wanted = document.getElementById("keeper-rep").value, { part } = note.closest(".keep-group").dataset, { pitch } = note.closest(".keep-cell").dataset;
  const groups = [...document.querySelectorAll(".keep-group")].filter((one) => one.dataset.part === part);
  groups.sort((a, b) => SOFT_TO_LOUD.indexOf(a.dataset.dynamic) - SOFT_TO_LOUD.indexOf(b.dataset.dynamic));
  return groups.flatMap((group) => [...group.querySelectorAll(".keep-cell")].filter((one) => one.dataset.pitch === pitch))
    .map((cell) => notes(cell).find((one) => one.dataset.repetition === wanted)).filter(Boolean);
}

/** Play all notes of the next cell of the plan; of the first one before any was played. */
function nextCell() {
  const cells = [...document.querySelectorAll(".keep-cell")], here = cells.findIndex((one) => one.dataset.pitch === last.pitch && one.closest(".keep-group").getAttribute("aria-labelledby") === last.group);
  const cell = cells[at() && at().closest(".keep-cell") !== cells[here] ? cells.indexOf(at().closest(".keep-cell")) : here + 1];
  if (!cell) return announce("That was the last cell of the plan");
  Object.assign(last, { pitch: cell.dataset.pitch, group: cell.closest(".keep-group").getAttribute("aria-labelledby") });
  play(notes(cell), true);
}

function walk(note, key) {
  const own = notes(note.closest(".keep-cell")), cells = [...document.querySelectorAll(".keep-cell")];
  const beside = { ArrowLeft: -1, ArrowRight: 1 }[key];
  if (beside) return own[own.indexOf(note) + beside]?.focus();
  const cell = cells[cells.indexOf(note.closest(".keep-cell")) + (key === "ArrowUp" ? 1 : -1)];
  if (cell) notes(cell)[0]?.focus();
}

async function choose(note, kept, undoing = false) {
  if (page().dataset.chooses !== "True") return announce("Choosing is for the producer and the session lead");
  const body = { take: note.dataset.take, note: Number(note.dataset.note), kept };
  try {
    await post(`/api/s/${page().dataset.session}/keepers`, body);
    if (!undoing) done.push({ note: { dataset: { ...note.dataset } }, kept });
    announce(`${nameOf(note)} ${kept ? "locked" : "free"}; the set is worked out anew`);
    document.dispatchEvent(new Event("renew"));
  } catch (error) { announce(error.message); }
}

function undo() {
  const last = done.pop();
  return last ? choose(last.note, !last.kept, true) : announce("Nothing to undo");
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") return player.stop();
  if (event.ctrlKey || event.altKey || event.metaKey || event.target.matches("input, select, textarea")) return;
  if (event.code === "KeyU") return undo();
  if (event.code === "KeyN") return nextCell();
  const note = at() ?? (event.key.startsWith("Arrow") ? notes()[0] : null);
  const acts = { Space: () => play([note]), KeyL: () => choose(note, true), KeyF: () => choose(note, false), KeyP: () => play(along(note, 1)), KeyO: () => play(along(note, -1)), KeyD: () => play(through(note)) };
  if (!note || !(event.key.startsWith("Arrow") || event.code in acts)) return;
  event.preventDefault();
  if (!event.key.startsWith("Arrow")) return acts[event.code]();
  if (at()) walk(note, event.key); else note.focus();
});
document.addEventListener("focusin", (event) => event.target.matches(".keep-note") && show(event.target));
document.addEventListener("click", (event) => { const note = event.target.closest(".keep-note"); if (note) play([note]); });

async function fill() {
  const most = Math.max(1, ...notes().map((one) => Number(one.dataset.repetition) || 0)), reps = document.getElementById("keeper-rep");
  while (reps.options.length < most) reps.add(new Option(String(reps.options.length + 1)));
  const first = notes()[0], mics = document.getElementById("keeper-mic");
  if (!first || mics.options.length > 1) return;
  const take = await get(`/api/takes/${first.dataset.takeId}`).catch(() => null);
  for (const { name } of take?.mics ?? []) mics.add(new Option(name));
}
document.addEventListener("renewed", fill);
fill();
