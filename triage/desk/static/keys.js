// The keys of the audition page. They go by where a key lies (event.code), not by its letter: the left hand listens,
// the right hand decides, whatever the keyboard's language. The screen shows what is printed on the key.

/** Every key: where it lies, what it does, which hand and group it belongs to, its words. */
export const KEYS = [
  { code: "KeyF", does: "spot", group: "listen", text: "the spot" },
  { code: "KeyD", does: "mic", group: "listen", text: "on the next microphone" },
  { code: "KeyS", does: "neighbour", group: "listen", text: "then a good neighbour" },
  { code: "KeyA", does: "note", group: "listen", text: "the whole note" },
  { code: "KeyG", does: "take", group: "listen", text: "the whole take" },
  { code: "KeyE", does: "before", group: "listen", text: "spot before" },
  { code: "KeyR", does: "after", group: "listen", text: "next spot" },
  { code: "KeyC", does: "quieter", group: "listen", text: "quieter" },
  { code: "KeyV", does: "louder", group: "listen", text: "louder" },
  { code: "KeyJ", does: "accept", group: "decide", text: "accept" },
  { code: "KeyK", does: "unsure", group: "decide", text: "unsure" },
  { code: "KeyL", does: "reject", group: "decide", text: "reject" },
  { code: "KeyN", does: "scope", group: "decide", text: "take or note" },
  { code: "KeyU", does: "undo", group: "decide", text: "undo" },
  { code: "KeyM", does: "comment", group: "decide", text: "comment" },
  { code: "KeyI", does: "later", group: "decide", text: "later" },
  { code: "KeyP", does: "itself", group: "other", text: "plays by itself" },
  { code: "KeyH", does: "sheet", group: "other", text: "all keys" },
  { code: "Space", does: "stop", group: "other", text: "stop" },
];

/** Reasons on the row of digits: each rejects at once; with Shift it says unsure. */
export const REASONS = [
  ["Digit1", "intonation"], ["Digit2", "attack"], ["Digit3", "length"], ["Digit4", "level"], ["Digit5", "tone"],
  ["Digit6", "steadiness"], ["Digit7", "release"], ["Digit8", "wrong-note"], ["Digit9", "unlike"],
  ["Digit0", "noise"], ["Minus", "technical"],
];

const ALSO = { Backspace: "undo", Escape: "stop" };
const US = { Space: "Space", Minus: "-" };
let printed = null;

/** Ask the browser what is printed on the keys; where it does not know, the letters of the code are shown. */
export async function learnLabels() {
  try { printed = await navigator.keyboard.getLayoutMap(); } catch { printed = null; }
}

/** Return what is printed on a key. */
export function labelOf(code) {
  const label = printed && printed.get(code);
  if (label && label.trim()) return label.toLocaleUpperCase();
  return US[code] || code.replace(/^(Key|Digit)/, "");
}

/** Call `act(name, event)` for each key pressed outside of fields and dialogs; `on()` says whether keys are on. */
export function listen(act, on) {
  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.ctrlKey || event.metaKey || event.altKey) return;
    const name = actionOf(event);
    if (!name || busy(event.target) || (!on() && name !== "sheet" && name !== "stop")) return;
    // A focused button keeps its own Space; a key held down must not decide take after take.
    if (event.code === "Space" && event.target.closest("button, a, summary, select, input")) return;
    if (event.repeat && !["quieter", "louder"].includes(name)) return event.preventDefault();
    if (act(name, event) !== false) event.preventDefault();
  });
}

function actionOf(event) {
  if (event.key === "?") return "sheet"; // wherever it lies: on some keyboards it shares a key with a reason
  const reason = REASONS.find(([code]) => code === event.code);
  if (reason) return `reason ${reason[1]}`;
  if (event.shiftKey) return null;
  return ALSO[event.code] || KEYS.find((key) => key.code === event.code)?.does || null;
}

function busy(target) {
  return Boolean(target.closest("input:not([type=checkbox]):not([type=radio]), textarea, select, dialog"));
}
