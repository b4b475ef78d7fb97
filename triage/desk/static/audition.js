// The audition page: one take after another, the most doubtful first; used by ear and keyboard, without a mouse.

import { UpcomingTakes } from "./upcoming.js";
import { showCard, showVerdicts, statement } from "./take_card.js";
import { drawKeys, fillSheet, showKeys } from "./key_panel.js";
import { follow, get, make, post, renewToken, announce, send } from "./desk.js";
import { micNow, micsOf, noteNow, spotNow, state } from "./current.js";
import { drawings, hear, player, prepare, prepareSpot } from "./listening.js";
import { listen } from "./keys.js";
import { Outbox } from "./outbox.js";
import { Picture } from "./picture.js";
import { remember, remembered, showLeft, showPending } from "./remaining.js";
import { inWords, NOISES, TECHNICAL } from "./format.js";

const by = (id) => document.getElementById(id);
const { session: sessionId, person } = by("audition").dataset;
const picture = new Picture(by("whole"), by("near"));
const history = [];

const outbox = new Outbox(`${person}.${sessionId}`, deliver, (now) => showPending(now));
outbox.onAnswer = (entry, answer) => answered(entry, answer);
const ahead = new UpcomingTakes(sessionId, () => outbox.waiting, prepare);

// On the screen

function show(take, spotAt = 0) {
  const fresh = take?.id !== state.take?.id;
  if (fresh) { player.stop(); player.rest(); }
  Object.assign(state, { take: take ?? null, spotAt, micAt: 0 });
  by("audition").hidden = !take;
  by("over").hidden = Boolean(take);
  if (!take) return showOver();
  if (fresh) { state.scope = "take"; by("comment").value = remembered(`comment.${take.id}`) || ""; }
  redraw();
  const spot = spotNow();
  announce(`${take.take}. ${spot ? statement(take, spot) : by("statement").textContent}`, false);
  prepareSpot();
  if (state.itself && state.begun && fresh && spotNow()) hear.spot();
}

/** Show what has changed about the current take, without interrupting what the person is doing. */
function renew(take) {
  if (take === state.take) return;
  const spotAt = Math.min(state.spotAt, Math.max(0, take.spots.length - 1));
  Object.assign(state, { take, spotAt });
  redraw();
}

async function redraw() {
  const { take } = state, spot = spotNow(), mic = micNow();
  showCard(take, spot, state.scope);
  by("mic").textContent = mic ? `${mic.name} microphone, ${state.micAt + 1} of ${take.mics.length}` : "no microphone arrived";
  showKeys(by("keys"), {
    scope: state.scope, reason: spot?.kind, noise: found(NOISES, "other-noise"), technical: found(TECHNICAL, "dropout"),
    mic: take.mics.length > 1 ? micsOf(take, spot)[(state.micAt + 1) % take.mics.length].name : null,
    itself: state.itself,
  });
  const drawing = mic ? await drawings.of(take, mic) : {};
  if (take === state.take && mic === micNow()) picture.show(take, mic, spotNow(), drawing);
}

/** Return the kind of this family that was found here: at the spot, on its note, in the take; else the usual one. */
function found(kinds, usual) {
  const spot = spotNow();
  const near = [spot, ...state.take.spots.filter((one) => one.note === spot?.note), ...state.take.spots,
    ...state.take.hits.filter((hit) => hit.note === spot?.note)];
  return near.find((one) => one && kinds.includes(one.kind))?.kind || usual;
}

function showOver() {
  const { settled = 0, all = 0 } = ahead.left ?? {};
  const head = all ? "Nothing is left for you to hear" : "No takes yet";
  const text = all
    ? `${settled} of ${all} takes are settled; the others wait for somebody else's verdict, or could not be analysed: the queue says why. What changes or comes in appears here by itself.`
    : "This session holds no takes so far. They appear here by themselves as they come in.";
  const back = make("button", { type: "button", "data-does": "undo", text: "Undo the last verdict" });
  const link = make("a", { class: "button main", href: `/s/${sessionId}/queue/list?show=all`, text: "See the whole queue" });
  by("over").replaceChildren(make("h2", { text: head }), make("p", { text: settled === all ? text.replace(/;[^.]*/, "") : text }), make("p", { class: "acts" }, link, all ? back : null));
  back.addEventListener("click", undo);
  announce(head, false);
}

function step(by_) {
  const last = (state.take?.spots.length ?? 0) - 1, next = state.spotAt + by_;
  if (next < 0 || next > last) return announce(last < 0 ? "This take has no spots" : by_ < 0 ? "This is the first spot" : "This is the last spot");
  show(state.take, next);
}

// Deciding

function decide(verdict, reason = null) {
  const { take } = state;
  if (!take) return;
  if (!state.judges) return announce(`As ${state.role} you listen here; verdicts are for editors, producers and leads`);
  const note = state.scope === "note" ? noteNow() : null;
  if (state.scope === "note" && note === null) return announce("This spot belongs to no note; switch to the take");
  const comment = by("comment").value.trim() || null;
  outbox.put({ kind: "verdict", takeId: take.id, body: { note, verdict, reason, comment, audio_digest: take.audio_digest, shown: take.shown ?? null } });
  history.push({ take, spotAt: state.spotAt, note, verdict, comment });
  giveComment(take.id, "");
  announce(`${take.take}${note ? ` note ${note}` : ""}: ${verdict}${reason ? `, ${inWords(reason)}` : ""}`);
  if (note === null) { ahead.decide(); advance(); }
  else afterNote(note);
}

/** Put a comment into its field and keep it beside the take until there is a verdict; nothing empties both. */
function giveComment(takeId, text) {
  remember(`comment.${takeId}`, text || null);
  by("comment").value = text;
}

/** Go on to the next spot of another note; where there is none, the take itself is to be decided. */
function afterNote(note) {
  const next = state.take.spots.findIndex((spot, at) => at > state.spotAt && spot.note !== note);
  state.scope = next < 0 ? "take" : "note";
  show(state.take, next < 0 ? state.spotAt : next);
  if (next < 0) announce("That was the last spot: now the take as a whole");
}

function advance() {
  if (ahead.first) show(ahead.first);
  else waitForMore();
  refill();
}

/** The takes ahead ran out faster than more came: show so, until the desk answers whether there are any. */
function waitForMore() {
  player.stop();
  state.take = null;
  by("cell").replaceChildren("\u00a0");
  by("statement").textContent = "Fetching the next take …";
}

/** Ask for more; when the desk is away, go on with what is here and ask again. */
async function refill() {
  clearTimeout(refill.timer);
  try {
    const first = await ahead.fill();
    showLeft(ahead.left);
    if (first && first.id === state.take?.id) renew(first);
    else show(first);
    document.body.dataset.desk = "there";
  } catch (error) {
    document.body.dataset.desk = "away";
    if (!state.take) by("statement").textContent = "The desk cannot be reached; trying again …";
    refill.timer = setTimeout(refill, 1500);
  }
}

function undo() {
  const last = history.pop();
  outbox.put({ kind: "undo", takeId: last?.note == null ? last?.take.id : null, body: { steps: 1 }, shown: Boolean(last) });
  if (!last) return announce("Taking back your last verdict of this session");
  ahead.bringBack(last.take);
  show(last.take, last.spotAt);
  if (last.comment) giveComment(last.take.id, last.comment); // typed once, it need not be typed again
  announce(`Taken back: ${last.verdict} on ${last.take.take}${last.note ? ` note ${last.note}` : ""}`);
}

async function deliver({ kind, takeId, key, body }) {
  const url = kind === "undo" ? `/api/s/${sessionId}/undo` : `/api/takes/${takeId}/verdict`;
  const answer = await send(url, { ...body, key });
  // A log-in that ran out while the page was open: with a new one of the same person the entry goes out after all.
  return answer.status === 403 && (await renewToken(person)) ? send(url, { ...body, key }) : answer;
}

async function answered(entry, answer) {
  if (answer.left) showLeft((ahead.left = answer.left));
  if (entry.kind === "verdict") {
    ahead.acknowledged(entry.takeId);
    if (entry.takeId === state.take?.id) showVerdicts(Object.assign(state.take, { verdicts: answer.verdicts }));
    return;
  }
  const back = answer.taken_back?.[0];
  if (!back) return announce("There is nothing of yours left to take back");
  const take = await get(`/api/takes/${back.take_id}`).catch(() => null);
  if (!take || (entry.shown && state.take?.id !== back.take_id)) return;
  ahead.bringBack(take);
  show(take, entry.shown ? state.spotAt : 0);
  if (!entry.shown) announce(`Taken back: ${back.verdict} on ${back.take}${back.note ? ` note ${back.note}` : ""}`);
}

// Keys, buttons, live

const acts = {
  ...hear,
  before: () => step(-1),
  after: () => step(1),
  accept: () => decide("accept"),
  unsure: () => decide("unsure"),
  reject: () => decide("reject", spotNow()?.kind ?? null),
  undo,
  scope: () => { state.scope = state.scope === "take" ? "note" : "take"; redraw(); announce(state.scope === "note" ? "Verdict on this note alone" : "Verdict on the whole take"); },
  comment: () => by("comment").focus(),
  later: () => { if (state.take) { announce(`${state.take.take} is put off`); ahead.putOff(); advance(); } },
  itself: () => playsItself(!state.itself),
  sheet: () => (by("sheet").open ? by("sheet").close() : by("sheet").showModal()),
};

function act(name, event) {
  state.begun = true;
  if (name.startsWith("reason ")) {
    const family = name.slice(7);
    const reason = family === "noise" ? found(NOISES, "other-noise") : family === "technical" ? found(TECHNICAL, "dropout") : family;
    return state.take && decide(event.shiftKey ? "unsure" : "reject", reason);
  }
  return acts[name]?.();
}

function wire() {
  hear.onMic = redraw;
  listen(act, () => by("keys-on").checked);
  by("spots").addEventListener("click", (event) => { const at = event.target.closest("[data-spot]")?.dataset.spot; if (at) { show(state.take, Number(at)); hear.spot(); } });
  for (const canvas of [by("whole"), by("near")])
    canvas.addEventListener("click", (event) => state.take && hear.take(picture.secondAt(canvas, event.offsetX)));
  by("comment").addEventListener("input", () => remember(`comment.${state.take.id}`, by("comment").value));
  by("comment").addEventListener("keydown", (event) => { if (event.key === "Escape" || (event.key === "Enter" && !event.shiftKey)) { event.preventDefault(); by("statement").focus(); } });
  by("keys-on").checked = remembered("keys") !== "off";
  by("keys-on").addEventListener("change", () => remember("keys", by("keys-on").checked ? null : "off"));
  by("itself").checked = state.itself;
  by("itself").addEventListener("change", () => playsItself(by("itself").checked));
  by("teaching").checked = state.teaching;
  by("teaching").addEventListener("change", () => post("/api/me/preferences", { teaching: by("teaching").checked ? "on" : "off" }).then(refill, (error) => announce(error.message)));
  by("sheet-close").addEventListener("click", () => by("sheet").close());
  by("bound").addEventListener("change", () => post("/api/me/preferences", { bound_rejects: Number(by("bound").value) }).then(refill, (error) => announce(error.message)));
  follow(sessionId, refill);
  outbox.flush();
  requestAnimationFrame(tick);
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
  picture.cursor(ours ? where.atS : null);
  const words = !where ? "silent" : ours ? `playing ${where.mic}` : `playing ${where.name ?? ""}`;
  if (by("playing").textContent !== words) { by("playing").textContent = words; by("playing").dataset.on = String(Boolean(where)); }
  requestAnimationFrame(tick);
}

/** Begin with the take that the address names, else with the next one. */
async function begin() {
  const named = new URLSearchParams(location.search).get("take");
  const take = named && (await get(`/api/takes/${encodeURIComponent(named)}`).catch(() => null));
  if (take && String(take.session_id) === sessionId) { ahead.bringBack(take); show(take); }
  refill();
}

await drawKeys(by("keys"), act);
fillSheet(by("sheet-keys"));
const me = await get("/api/me").catch(() => null);
state.itself = me?.preferences.autoplay !== "off";
state.teaching = me?.preferences.teaching !== "off";
state.judges = !me || me.rights.includes("verdict");
state.role = me?.role;
wire();
begin();
