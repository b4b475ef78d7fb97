// The last decisions of this person, in sight, each with its undo: verdicts and takes put off. Kept on this machine, so
// that a reload takes none of them away.

import { make } from "./desk.js";
import { inWords } from "./format.js";
import { remember, remembered } from "./remaining.js";

const SHOWN = 5, KEPT = 50;

export class Recent {
  /** `box` is a list; `onUndo(id)` is called by the button of a line. */
  constructor(box, name, onUndo) {
    this.box = box;
    this.name = `recent.${name}`;
    try { this.all = JSON.parse(remembered(this.name)) || []; } catch { this.all = []; }
    box.addEventListener("click", (event) => {
      const id = event.target.closest("[data-undo]")?.dataset.undo;
      if (id) onUndo(id);
    });
    this.#show();
  }

  /** Add a decision: {id, takeId, take, spotAt, notes, verdict ("later" for one put off), reason, comment, whole}. */
  add(one) {
    this.all = [one, ...this.all].slice(0, KEPT);
    this.#show();
  }

  /** Take a decision out and return it; without an id the last one; undefined where there is none. */
  remove(id) {
    const found = id ? this.all.find((one) => one.id === id) : this.all[0];
    this.all = this.all.filter((one) => one !== found);
    this.#show();
    return found;
  }

  #show() {
    remember(this.name, this.all.length ? JSON.stringify(this.all) : null);
    const rows = this.all.slice(0, SHOWN).map((one) => make("li", {},
      make("span", { class: `verdict ${one.verdict}`, text: one.verdict }),
      make("span", { class: "soft", text: ` ${inBrief(one)}` }),
      make("button", { type: "button", class: "plain", "data-undo": one.id, "aria-label": `Undo ${one.verdict} on ${inBrief(one)}`, text: "undo" })));
    this.box.replaceChildren(...(rows.length ? rows : [make("li", { class: "soft", text: "nothing yet" })]));
  }
}

/** Return what a decision was on, and why, in a few words. */
export function inBrief({ take, notes = [], reason }) {
  return `${take}${onNotes(notes)}${reason ? `, ${inWords(reason)}` : ""}`;
}

/** Return the notes of a verdict in words, empty for the whole take. */
export function onNotes(notes) {
  if (!notes.length) return "";
  return notes.length === 1 ? ` note ${notes[0]}` : ` notes ${notes.slice(0, -1).join(", ")} and ${notes.at(-1)}`;
}
