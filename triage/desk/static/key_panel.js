// The keys on the screen: a bar of those that are used for every take, and, unfolded, all of them drawn as they lie
// under two hands. Each is a button that does what its key does. Whoever may not judge sees the listening keys alone.

import { announce, make } from "./desk.js";
import { KEYS, labelOf, learnLabels, moveKey, REASONS, usualKeys } from "./keys.js";
import { inWords } from "./format.js";

// Where the rows of a keyboard begin, in halves of a key, and the keys of each row that can have an action.
const ROWS = [[1, "Digit1 Digit2 Digit3 Digit4 Digit5 Digit6 Digit7 Digit8 Digit9 Digit0 Minus"],
  [2, "KeyQ KeyW KeyE KeyR KeyT KeyY KeyU KeyI KeyO KeyP"], [2.5, "KeyA KeyS KeyD KeyF KeyG KeyH KeyJ KeyK KeyL"],
  [3.5, "KeyZ KeyX KeyC KeyV KeyB KeyN KeyM Space ArrowLeft ArrowRight"]];
const HALVES = 2;

/** Draw bar and panel: keys that `has(key)` says; `act(name, event)` is called by their buttons as by the keys. */
export async function drawKeys(bar, panel, has, act) {
  await learnLabels();
  const fill = () => {
    const mine = KEYS.filter(has);
    const reasons = has({ group: "decide" }) ? REASONS.map(([code, reason]) => [code, `reason ${reason}`, inWords(reason), "reason"]) : [];
    bar.replaceChildren(...mine.filter((one) => one.bar).map(({ code, does, text, group }) => key(code, does, text, group)));
    panel.replaceChildren(...[...reasons, ...mine.map(({ code, does, text, group }) => [code, does, text, group])].map((given) => placed(key(...given), given[0])));
  };
  fill();
  for (const box of [bar, panel])
    box.addEventListener("click", (event) => {
      const does = event.target.closest("[data-does]")?.dataset.does;
      if (does) act(does, event);
    });
  return fill;
}

function key(code, does, text, group) {
  return make("button", { type: "button", class: `key ${group}`, "data-does": does },
    make("kbd", { text: labelOf(code), "aria-hidden": "true" }), make("span", { class: "does", text }));
}

/** Put a button where its key lies; one that lies elsewhere stands at the end. */
function placed(button, code) {
  ROWS.forEach(([from, codes], row) => {
    const at = codes.split(" ").indexOf(code);
    if (at >= 0) button.style.gridArea = `${row + 1} / ${Math.round(HALVES * (from - 1) + 1 + HALVES * at)} / auto / span ${HALVES}`;
  });
  return button;
}

/** Show on the keys what they would do now: action -> words. */
export function showKeys(words, pressed) {
  for (const [does, text] of Object.entries(words))
    for (const one of document.querySelectorAll(`.key[data-does="${does}"] .does`)) one.textContent = text;
  for (const [does, on] of Object.entries(pressed))
    for (const one of document.querySelectorAll(`.key[data-does="${does}"]`)) one.setAttribute("aria-pressed", String(on));
}

/** Fill the sheet of all keys; where `onMove` is given, each can be put on another key. */
export function fillSheet(box, judges = true, onMove = null) {
  const groups = { listen: "Left hand: listen", decide: "Right hand: decide", other: "Both" };
  const shown = Object.entries(groups).filter(([group]) => judges || group !== "decide");
  const lists = shown.map(([group, head]) => list(head, KEYS.filter((one) => one.group === group), onMove && ((does, button) => waitFor(does, button, () => { fillSheet(box, judges, onMove); onMove(); }))));
  if (judges) lists.push(list("Top row: the reason of the next verdict", REASONS.map(([code, reason]) => ({ code, text: inWords(reason) })), null));
  if (onMove) {
    const usual = make("button", { type: "button", text: "All keys as they were" });
    usual.addEventListener("click", () => { usualKeys(); fillSheet(box, judges, onMove); onMove(); });
    lists.push(make("section", {}, make("p", { class: "soft", text: "To put something on another key, choose its key here, then press the new one." }), usual));
  }
  box.replaceChildren(...lists);
}

function list(head, keys, onChoose) {
  const rows = keys.flatMap(({ code, does, text, long }) => {
    const label = onChoose
      ? make("button", { type: "button", class: "move", "aria-label": `${text}: ${labelOf(code)}, change` }, make("kbd", { text: labelOf(code) }))
      : make("kbd", { text: labelOf(code) });
    if (onChoose) label.addEventListener("click", () => onChoose(does, label));
    return [make("dt", {}, label), make("dd", { text: long ?? text })];
  });
  return make("section", {}, make("h3", { text: head }), make("dl", {}, ...rows));
}

/** Wait for the key that an action is to lie on; Escape leaves it where it is. */
function waitFor(does, button, done) {
  button.replaceChildren("press a key …");
  button.addEventListener("keydown", (event) => {
    event.preventDefault();
    event.stopPropagation();
    if (event.code !== "Escape" && !moveKey(does, event.code)) announce("That key is taken by something that stays where it is");
    done();
  }, { once: true });
  button.addEventListener("blur", done, { once: true });
}
