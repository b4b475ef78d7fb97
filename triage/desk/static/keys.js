// The keys of the audition page. They go by where a key lies (event.code), not by its letter: the left hand listens,
// the right hand decides, whatever the keyboard's language. The screen shows what is printed on the key. Everybody can
// put an action on another key; that is kept on this machine, as the keyboard is.

import { remember, remembered } from "./remaining.js";

/** Every key: where it lies, what it does, which hand and group it belongs to, its words (`long` ones in the list of keys); `bar` ones stay on the screen. */
export const KEYS = [
  { code: "Space", does: "play", group: "listen", text: "play, stop", bar: true },
  { code: "KeyF", does: "spot", group: "listen", text: "the spot" },
  { code: "KeyD", does: "mic", group: "listen", text: "on the next microphone", bar: true },
  { code: "KeyS", does: "neighbour", group: "listen", text: "neighbour", long: "the spot, then a good neighbour", bar: true },
  { code: "KeyA", does: "note", group: "listen", text: "the whole note" },
  { code: "KeyG", does: "take", group: "listen", text: "the whole take" },
  { code: "KeyT", does: "loop", group: "listen", text: "again and again" },
  { code: "KeyE", does: "before", group: "listen", text: "spot before" },
  { code: "KeyR", does: "after", group: "listen", text: "next spot", bar: true },
  { code: "ArrowLeft", does: "note-before", group: "listen", text: "note before", bar: true },
  { code: "ArrowRight", does: "note-after", group: "listen", text: "next note", bar: true },
  { code: "KeyC", does: "quieter", group: "listen", text: "quieter" },
  { code: "KeyV", does: "louder", group: "listen", text: "louder" },
  { code: "KeyN", does: "mark", group: "decide", text: "mark the note", bar: true },
  { code: "KeyO", does: "whole", group: "decide", text: "whole take", bar: true },
  { code: "KeyJ", does: "accept", group: "decide", text: "accept", bar: true },
  { code: "KeyK", does: "unsure", group: "decide", text: "unsure", bar: true },
  { code: "KeyL", does: "reject", group: "decide", text: "reject", bar: true },
  { code: "KeyU", does: "undo", group: "decide", text: "undo", bar: true },
  { code: "KeyM", does: "comment", group: "decide", text: "comment" },
  { code: "KeyI", does: "later", group: "decide", text: "later", bar: true },
  { code: "KeyP", does: "itself", group: "other", text: "plays by itself" },
  { code: "KeyY", does: "fold", group: "other", text: "the keyboard" },
  { code: "KeyH", does: "sheet", group: "other", text: "all keys", bar: true },
];

/** Reasons on the row of digits: each is put on the next verdict; by itself it decides nothing. */
export const REASONS = [
  ["Digit1", "intonation"], ["Digit2", "attack"], ["Digit3", "length"], ["Digit4", "level"], ["Digit5", "tone"],
  ["Digit6", "steadiness"], ["Digit7", "release"], ["Digit8", "wrong-note"], ["Digit9", "unlike"],
  ["Digit0", "noise"], ["Minus", "technical"],
];

const ALSO = { Backspace: "undo", Escape: "stop" };
const SIGNS = { Space: "Space", Minus: "-", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓" };
const USUAL = new Map(KEYS.map(({ does, code }) => [does, code]));
let printed = null;

putOwn(parsed(remembered("own-keys")));

/** Ask the browser what is printed on the keys; where it does not know, the letters of the code are shown. */
export async function learnLabels() {
  try { printed = await navigator.keyboard.getLayoutMap(); } catch { printed = null; }
}

/** Return what is printed on a key. */
export function labelOf(code) {
  const label = printed && printed.get(code);
  if (label && label.trim()) return label.toLocaleUpperCase();
  return SIGNS[code] || code.replace(/^(Key|Digit)/, "");
}

/** Put an action on another key; what lay there goes where this one was. Return whether the key is free to be used. */
export function moveKey(does, code) {
  if (code in ALSO || code === "Tab" || code === "Enter" || REASONS.some(([of]) => of === code)) return false;
  const own = KEYS.find((one) => one.does === does), other = KEYS.find((one) => one.code === code);
  if (other) other.code = own.code;
  own.code = code;
  remember("own-keys", JSON.stringify(Object.fromEntries(KEYS.filter((one) => one.code !== USUAL.get(one.does)).map((one) => [one.does, one.code]))));
  return true;
}

/** Put every action back on its usual key. */
export function usualKeys() {
  putOwn(Object.fromEntries(USUAL));
  remember("own-keys", null);
}

/** Call `act(name, event)` for each key pressed outside of fields and dialogs; `on()` says whether keys are on. */
export function listen(act, on) {
  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.ctrlKey || event.metaKey || event.altKey) return;
    const name = actionOf(event);
    if (!name || busy(event.target) || (!on() && name !== "sheet" && name !== "stop")) return;
    // A focused button keeps its own Space; a key held down must not decide take after take.
    if (event.code === "Space" && event.target.closest("button, a, summary, select, input")) return;
    if (event.repeat && !["quieter", "louder", "note-before", "note-after"].includes(name)) return event.preventDefault();
    if (act(name, event) !== false) event.preventDefault();
  });
}

function actionOf(event) {
  if (event.key === "?") return "sheet"; // wherever it lies: on some keyboards it shares a key with a reason
  if (event.shiftKey) return null;
  const reason = REASONS.find(([code]) => code === event.code);
  if (reason) return `reason ${reason[1]}`;
  return ALSO[event.code] || KEYS.find((key) => key.code === event.code)?.does || null;
}

function busy(target) {
  return Boolean(target.closest("input:not([type=checkbox]):not([type=radio]), textarea, select, dialog"));
}

function putOwn(own) {
  for (const one of KEYS) one.code = own[one.does] ?? one.code;
}

function parsed(text) {
  try { return JSON.parse(text) || {}; } catch { return {}; }
}
