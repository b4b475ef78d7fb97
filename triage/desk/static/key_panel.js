// The panel: the keys drawn as they lie under two hands, each a button that does what its key does.

import { make } from "./desk.js";
import { KEYS, labelOf, learnLabels, REASONS } from "./keys.js";
import { inWords } from "./format.js";

/** Draw the panel; `act(name, event)` is called by its buttons as by the keys. */
export async function drawKeys(panel, act) {
  await learnLabels();
  const reasons = REASONS.map(([code, reason]) => key(code, `reason ${reason}`, inWords(reason), "reason"));
  const keys = KEYS.map(({ code, does, group, text }) => key(code, does, text, group));
  panel.replaceChildren(...reasons, ...keys);
  panel.addEventListener("click", (event) => {
    const does = event.target.closest("[data-does]")?.dataset.does;
    if (does) act(does, event);
  });
}

function key(code, does, text, group) {
  return make("button", { type: "button", class: `key ${group} at-${code}`, "data-does": does },
    make("kbd", { text: labelOf(code), "aria-hidden": "true" }), make("span", { class: "does", text }));
}

/** Show on the keys what they would do now. */
export function showKeys(panel, { scope, reason, noise, technical, mic, itself }) {
  const put = (does, text) => (panel.querySelector(`[data-does="${does}"] .does`).textContent = text);
  put("scope", scope === "note" ? "on this note" : "on the take");
  put("reject", reason ? `reject: ${inWords(reason)}` : "reject");
  put("reason noise", inWords(noise));
  put("reason technical", inWords(technical));
  put("mic", mic ? `on ${mic}` : "on the next microphone");
  put("itself", itself ? "plays by itself" : "waits for a key");
  panel.querySelector('[data-does="itself"]').setAttribute("aria-pressed", String(itself));
  panel.querySelector('[data-does="scope"]').setAttribute("aria-pressed", String(scope === "note"));
}

/** Fill the sheet of all keys. */
export function fillSheet(box) {
  const groups = { listen: "Left hand: listen", decide: "Right hand: decide", other: "Both" };
  const lists = Object.entries(groups).map(([group, head]) => list(head, KEYS.filter((one) => one.group === group)));
  lists.push(list("Top row: reject because", REASONS.map(([code, reason]) => ({ code, text: inWords(reason) }))));
  box.replaceChildren(...lists);
}

function list(head, keys) {
  const rows = keys.flatMap(({ code, text }) => [make("dt", {}, make("kbd", { text: labelOf(code) })), make("dd", { text })]);
  return make("section", {}, make("h3", { text: head }), make("dl", {}, ...rows));
}
