// The audition page: one take after another, the most doubtful first; used by ear and keyboard, without a mouse.

import { UpcomingTakes } from "./upcoming.js";
import { Decisions, giveComment } from "./deciding.js";
import { showCard, showNotes, showTarget } from "./take_card.js";
import { comparison, pictureOf, repetitionCurves } from "./comparing.js";
import { WalkedTakes } from "./walked.js";
import { drawKeys, fillSheet, showKeys } from "./key_panel.js";
import { follow, get, make, post, announce } from "./desk.js";
import { curveNow, micNow, micsOf, noteNow, placeNow, spotNow, state, takeNote, takeSpot, targets } from "./current.js";
import { drawings, hear, player, prepare, prepareSpot } from "./listening.js";
import { listen } from "./keys.js";
import { onNotes } from "./recent.js";
import { Picture } from "./picture.js";
import { Presence } from "./presence.js";
import { remember, remembered, showDisputed, showLeft, showOthers } from "./remaining.js";
import { inWords, NOISES, TECHNICAL } from "./format.js";

const by = (id) => document.getElementById(id);
const { session: sessionId, person, judges, walk, settles, settledBy } = by("audition").dataset;
Object.assign(state, { person, judges: judges === "true", settles: Boolean(walk) && settles === "true", settledBy: walk ? settledBy : "" });
const showsLeft = walk ? showDisputed : showLeft;
const picture = new Picture(by("whole"), by("near"));
const ahead = walk ? new WalkedTakes(sessionId, prepare) : new UpcomingTakes(sessionId, state, () => decisions.outbox.waiting, prepare);
const presence = new Presence(by("audition").dataset, ahead, refill, () => player.playing);
const decisions = new Decisions(sessionId, person, ahead, { show, redraw, advance, left: showsLeft });

// On the screen

function show(take, spotAt = 0) {
  const fresh = take?.id !== state.take?.id;
  if (fresh) { player.stop(); player.rest(); }
  Object.assign(state, { take: take ?? null, micAt: 0, whole: !fresh && state.whole });
  if (fresh) state.marked.clear();
  by("audition").hidden = !take;
  by("over").hidden = Boolean(take);
  if (!take) return showOver();
  const split = walk && take.verdicts.disagreements.find((one) => one.note !== null);
  if (split) takeNote(split.note);
  else takeSpot(take.spots.length ? Math.max(0, spotAt) : -1);
  if (fresh) giveComment(take.id, remembered(`comment.${take.id}`) || "");
  redraw();
  announce(`${take.take}. ${by("statement").textContent}`, false);
  prepareSpot();
  if (state.itself && state.begun && fresh && spotNow()) hear.spot();
}

/** Show what has changed about the current take, without interrupting what the person is doing. */
function renew(take) {
  if (take === state.take) return;
  state.take = take;
  state.spotAt = Math.min(state.spotAt, take.spots.length - 1);
  redraw();
}

async function redraw() {
  const { take } = state, spot = spotNow(), mic = micNow();
  showCard(take, spot, noteNow());
  showNotes(take);
  showTarget(take);
  showMics(take);
  const notes = targets(), reason = state.reason ?? spot?.kind;
  const on = notes.length ? onNotes(notes).trim() : "the whole take";
  showKeys({
    reject: `reject ${on}${reason ? `: ${inWords(reason)}` : ""}`,
    accept: state.marked.size || state.settles ? `accept ${on}` : "accept the take",
    unsure: state.marked.size ? `unsure of ${on}` : "leave it to others",
    mark: state.marked.has(state.noteAt) ? "unmark the note" : "mark the note",
    mic: take.mics.length > 1 ? `on ${micsOf(take, spot)[(state.micAt + 1) % take.mics.length].name}` : "on the next microphone",
    itself: state.itself ? "plays by itself" : "waits for a key",
    "reason noise": inWords(found(NOISES, "other-noise")),
    "reason technical": inWords(found(TECHNICAL, "dropout")),
  }, { whole: state.whole, mark: state.marked.has(state.noteAt), itself: state.itself });
  const drawing = mic ? await drawings.of(take, mic) : {};
  if (take !== state.take || mic !== micNow()) return;
  picture.show(take, mic, placeNow(), drawing);
  compare();
}

/** Draw the note's neighbours beside it, as soon as they are here. */
async function compare() {
  const { take, noteAt } = state, mic = micNow();
  if (noteAt === null || !mic) return;
  const of = curveNow(), now = () => take === state.take && noteAt === state.noteAt && mic === micNow() && of === curveNow();
  const found = await comparison(take, noteAt, mic, of).catch(() => null);
  const chosen = found?.neighbours[state.otherAt] ?? null;
  const drawn = chosen?.picture && (await pictureOf(chosen).catch(() => null));
  if (!found || !now()) return;
  picture.compare(found, chosen, drawn);
  const repetitions = await repetitionCurves(found.repetitions, mic, of);
  if (now()) picture.repeat(repetitions);
}

function showMics(take) {
  const field = by("mic"), names = micsOf(take, spotNow()).map((one) => one.name);
  field.replaceChildren(...(names.length ? names : ["none has arrived"]).map((name, at) => make("option", { value: at, text: name })));
  field.value = state.micAt;
  field.disabled = names.length < 2;
}

/** Return the kind of this family that was found here: at the spot, on its note, in the take; else the usual one. */
function found(kinds, usual) {
  const spot = spotNow(), on = (one) => one.note === state.noteAt;
  const near = [spot, ...state.take.spots.filter(on), ...state.take.spots, ...state.take.hits.filter(on)];
  return near.find((one) => one && kinds.includes(one.kind))?.kind || usual;
}

function showOver() {
  const { settled = 0, all = 0 } = ahead.left ?? {}, elsewhere = ahead.others.length;
  const head = walk ? "Nobody differs any more" : elsewhere ? "All that is left is on other people's screens" : all ? "Nothing is left for you to hear" : "No takes yet";
  const text = walk ? "Every dispute of this session is settled." : elsewhere ? "What they give back appears here by itself." : all
    ? `${settled} of ${all} takes are settled; the others wait for somebody else's verdict, or could not be analysed: the queue says why. What changes or comes in appears here by itself.`
    : "This session holds no takes so far. They appear here by themselves as they come in.";
  const back = make("button", { type: "button", "data-does": "undo", text: "Undo the last verdict" });
  const link = make("a", { class: "button main", href: `/s/${sessionId}/queue/list?show=all`, text: "See the whole queue" });
  by("over").replaceChildren(make("h2", { text: head }), make("p", { text: settled === all ? text.replace(/;[^.]*/, "") : text }), make("p", { class: "acts" }, link, all && state.judges ? back : null));
  back.addEventListener("click", () => decisions.undo());
  announce(head, false);
}

function stepSpot(by_) {
  const last = (state.take?.spots.length ?? 0) - 1, next = state.spotAt + by_;
  if (next < 0 || next > last) return announce(last < 0 ? "This take has no spots" : by_ < 0 ? "This is the first spot" : "This is the last spot");
  go(() => takeSpot(next));
}

function stepNote(by_) {
  const numbers = (state.take?.notes ?? []).map((one) => one.number);
  if (!numbers.length) return announce("No notes were found in this take");
  const at = numbers.indexOf(state.noteAt), next = at < 0 ? (by_ > 0 ? 0 : numbers.length - 1) : at + by_;
  if (next < 0 || next >= numbers.length) return announce(by_ < 0 ? "This is the first note" : "This is the last note");
  go(() => takeNote(numbers[next]));
}

/** Take something else of this take in hand, and show it. */
function go(how) {
  how();
  state.micAt = 0;
  redraw();
  announce(by("statement").textContent, false);
  prepareSpot();
}

function mark() {
  if (!state.take || state.noteAt === null) return announce("Walk to a note first");
  if (!state.marked.delete(state.noteAt)) state.marked.add(state.noteAt);
  state.whole = false;
  redraw();
  announce(state.marked.size ? `Marked:${onNotes(targets())}` : "No note is marked");
}

function whole() {
  if (!state.take) return;
  state.whole = !state.whole;
  state.marked.clear();
  redraw();
  announce(state.whole ? "The verdict is on the whole take" : `The verdict is on${onNotes(targets()) || " the whole take"}`);
}

function advance() {
  if (ahead.first) show(ahead.first);
  else waitForMore();
  showReady();
  refill();
}

/** Say in the page how many takes are here, the one on the screen among them: so many can be heard without the desk. */
function showReady() { by("audition").dataset.ready = ahead.takes.length; }

/** The takes ahead ran out faster than more came: show so, until the desk answers whether there are any. */
function waitForMore() {
  player.stop();
  state.take = null;
  by("cell").replaceChildren("\u00a0");
  by("statement").textContent = "Fetching the next take …";
}

/** Ask for more, one question at a time; when the desk is away, go on with what is here and ask again. */
async function refill() {
  clearTimeout(refill.timer);
  if (presence.away) return;
  if (refill.asking) { refill.again = true; return; }
  refill.asking = true;
  try {
    const first = await ahead.fill();
    showReady();
    showsLeft(ahead.left);
    showOthers(ahead.others, ahead.named);
    if (first && first.id === state.take?.id) renew(first);
    else show(first);
    document.body.dataset.desk = "there";
  } catch (error) {
    document.body.dataset.desk = "away";
    if (!state.take) by("statement").textContent = "The desk cannot be reached; trying again …";
    refill.timer = setTimeout(refill, 1500);
  }
  refill.asking = false;
  if (refill.again) { refill.again = false; refill(); }
}

// Keys, buttons, live

const judging = {
  accept: () => decisions.decide("accept"),
  unsure: () => decisions.decide("unsure"),
  reject: () => decisions.decide("reject"),
  undo: () => decisions.undo(),
  later: () => decisions.later(),
  comment: () => by("comment").focus(),
  mark,
  whole,
};
const acts = {
  ...hear,
  before: () => stepSpot(-1),
  after: () => stepSpot(1),
  "note-before": () => stepNote(-1),
  "note-after": () => stepNote(1),
  itself: () => playsItself(!state.itself),
  fold: () => fold(!by("keys").hidden),
  sheet: () => (by("sheet").open ? by("sheet").close() : by("sheet").showModal()),
  ...(state.judges ? judging : {}),
};

function act(name) {
  state.begun = true;
  if (name.startsWith("reason ")) return state.judges && state.take && chooseReason(name.slice(7));
  return acts[name]?.();
}

/** Put a reason on the next verdict; the same again takes it off. */
function chooseReason(family) {
  const reason = family === "noise" ? found(NOISES, "other-noise") : family === "technical" ? found(TECHNICAL, "dropout") : family;
  state.reason = state.reason === reason ? null : reason;
  redraw();
  announce(state.reason ? `Reason of the next verdict: ${inWords(reason)}` : "The reason is that of the spot");
}

function fold(away) {
  by("keys").hidden = away;
  by("fold").setAttribute("aria-expanded", String(!away));
  remember("keys-drawn", away ? null : "on");
}

function wire(fillKeys) {
  hear.onMic = redraw;
  hear.onNeighbour = compare;
  listen(act, () => by("keys-on").checked);
  by("spots").addEventListener("click", (event) => { const at = event.target.closest("[data-spot]")?.dataset.spot; if (at) { go(() => takeSpot(Number(at))); hear.spot(); } });
  by("notes").addEventListener("click", (event) => { const at = event.target.closest("[data-note]")?.dataset.note; if (at) { go(() => takeNote(Number(at))); hear.spot(); } });
  for (const canvas of [by("whole"), by("near")])
    canvas.addEventListener("click", (event) => state.take && hear.take(picture.secondAt(canvas, event.offsetX)));
  by("mic").addEventListener("change", () => { state.micAt = Number(by("mic").value); redraw(); prepareSpot(); hear.spot(); });
  by("fold").addEventListener("click", () => acts.fold());
  fold(remembered("keys-drawn") !== "on");
  by("comment").addEventListener("input", () => state.take && remember(`comment.${state.take.id}`, by("comment").value));
  by("comment").addEventListener("keydown", (event) => { if (event.key === "Escape" || (event.key === "Enter" && !event.shiftKey)) { event.preventDefault(); by("statement").focus(); } });
  wireSheet(fillKeys);
  follow(sessionId, refill);
  presence.watch();
  decisions.outbox.flush();
  requestAnimationFrame(tick);
}

function wireSheet(fillKeys) {
  fillSheet(by("sheet-keys"), state.judges, () => { fillKeys(); if (state.take) redraw(); });
  by("keys-on").checked = remembered("keys") !== "off";
  by("keys-on").addEventListener("change", () => remember("keys", by("keys-on").checked ? null : "off"));
  by("itself").checked = state.itself;
  by("itself").addEventListener("change", () => playsItself(by("itself").checked));
  by("teaching").checked = state.teaching;
  by("teaching").addEventListener("change", () => post("/api/me/preferences", { teaching: by("teaching").checked ? "on" : "off" }).then(refill, (error) => announce(error.message)));
  wireShared();
  by("sheet-close").addEventListener("click", () => by("sheet").close());
  by("bound").addEventListener("change", () => post("/api/me/preferences", { bound_rejects: Number(by("bound").value) }).then(refill, (error) => announce(error.message)));
}

/** What holds for everybody, where this person may set it; a page opened from then on goes by it. */
function wireShared() {
  let saved = Promise.resolve(); // one after another, for the last to arrive counts
  const save = () => post("/api/shared-settings", {
    share_for_two: Number(by("share-for-two").value) / 100,
    settled_by: [...document.querySelectorAll("[name=settled-by]:checked")].map((one) => one.value),
  }).then(() => announce("Set for everybody"), (error) => announce(error.message));
  by("shared")?.addEventListener("change", () => { saved = saved.then(save); });
}

function playsItself(now) {
  state.itself = by("itself").checked = now;
  if (state.take) redraw();
  announce(now ? "Spots play by themselves" : "Spots wait for a key");
  post("/api/me/preferences", { autoplay: now ? "on" : "off" }).catch(() => { /* it holds for this page */ });
}

/** Move the cursor while something plays. */
function tick() {
  const where = player.where();
  const ours = where?.take && where.take.id === state.take?.id;
  const beside = where?.other && where.besideNote === state.noteAt ? noteNow() : null; // a neighbour, aligned at the onset
  picture.cursor(ours ? where.atS : beside ? where.atS - where.other.start_s + beside.start_s : null, Boolean(beside));
  const words = !where ? "silent" : ours ? `playing ${where.mic}` : `playing ${where.name ?? ""}`;
  if (by("playing").textContent !== words) { by("playing").textContent = words; by("playing").dataset.on = String(Boolean(where)); }
  requestAnimationFrame(tick);
}

/** Begin with the take that the address names, else with the next one. */
async function begin() {
  const asked = new URLSearchParams(location.search), named = asked.get("take"), note = Number(asked.get("note"));
  const take = named && (await get(`/api/takes/${encodeURIComponent(named)}`).catch(() => null));
  if (take && String(take.session_id) === sessionId) { ahead.named = take.id; ahead.bringBack(take); show(take); if (take.notes.some((one) => one.number === note)) { takeNote(note); redraw(); } }
  refill();
}

const fillKeys = await drawKeys(by("bar"), by("keys"), ({ does, group }) => (group !== "decide" || state.judges) && !(does === "unsure" && state.settles), act);
const me = await get("/api/me").catch(() => null);
state.itself = me?.preferences.autoplay !== "off";
state.teaching = me?.preferences.teaching !== "off";
wire(fillKeys);
begin();
