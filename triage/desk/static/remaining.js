// What is left: takes, minutes, rejects that are probably still unheard, whether one may stop; what waits to be sent.

import { make } from "./desk.js";
import { span } from "./format.js";

const by = (id) => document.getElementById(id);

/** Store a small value on this machine; null removes it. */
export function remember(name, value) {
  try { value === null ? localStorage.removeItem(`triage.${name}`) : localStorage.setItem(`triage.${name}`, value); } catch { /* not kept */ }
}

/** Return a stored value, or null. */
export function remembered(name) {
  try { return localStorage.getItem(`triage.${name}`); } catch { return null; }
}

/** Show in one line what is left of the session. */
export function showLeft(left) {
  if (!left) return;
  const rejects = left.expected_rejects;
  const line = by("left");
  if (!left.takes) line.replaceChildren("Nothing to hear at the moment");
  else line.replaceChildren(
    make("b", { text: left.takes === 1 ? "1 take" : `${left.takes} takes` }),
    ...(left.listen_s < 0.05 ? [" left, no spots in them · "] : [" and ", make("b", { text: span(left.listen_s) }), " of spots left · "]),
    make("b", { text: rejects < 0.05 ? "hardly any" : `about ${rejects.toFixed(1)}` }), ` reject${rejects >= 0.95 && rejects < 1.05 ? "" : "s"} still unheard`,
  );
  if (left.sample) line.append(byLot(left.sample));
  if (left.disputed) line.append(` · people differ on ${left.disputed}`);
  if (left.can_stop && left.takes) line.append(make("strong", { class: "stop", text: "You can stop here" }));
  else if (left.takes && rejects <= left.bound) line.append(make("span", { class: "sampled", text: ` · ${notYet(left)}` }));
  if (document.activeElement !== by("bound")) by("bound").value = left.bound;
}

/** Show how many takes people differ on: what is left on the page of disputes. */
export function showDisputed({ disputed }) {
  by("left").replaceChildren(make("b", { text: disputed === 1 ? "1 take" : `${disputed} takes` }), " that people differ on");
}

/** Say why one cannot stop though the doubts would allow it. */
function notYet({ sample, bound }) {
  if (!sample) return "no random sample says so yet";
  return sample.expected > bound ? "the random sample says otherwise" : "the random sample is too small to say so";
}

/** Show what the random sample gives, and how it is estimated. */
function byLot({ expected, low, high, sampled }) {
  const title = `${sampled} of the takes from here on were heard as a random sample, whatever their doubt. What was rejected among them, more or less than their doubts said, is scaled up to all; from ${low} to ${high} with 95 % certainty by their count alone.`;
  return make("span", { class: "sampled", title, text: ` · by random sample ${expected.toFixed(expected < 10 ? 1 : 0)}, from ${low} to ${high} (${sampled} heard)` });
}

/** Say which takes are on whose screen; `named` is the id of the one that was opened here all the same. */
export function showOthers(others, named) {
  const people = new Map();
  for (const { by: person, take } of others) people.set(person, [...(people.get(person) ?? []), take]);
  const both = others.find((one) => one.take_id === named);
  const lists = [...people].map(([person, takes]) => `${person} ${takes.join(", ")}`);
  by("others").textContent = (both ? `${both.take} is on ${both.by}'s screen as well. ` : "") + (lists.length ? `Now with others: ${lists.join("; ")}` : "");
}

/** Show what the desk does not have yet, and what it refused. */
export function showPending({ waiting, refused, away, signedOut }) {
  const parts = [];
  const many = (list) => `${list.length} ${list.length === 1 ? "entry" : "entries"}`;
  if (away && signedOut) parts.push(`Nobody is signed in any more. ${many(waiting)} kept on this machine: sign in again, and they are sent.`);
  else if (away) parts.push(`The desk cannot be reached. ${many(waiting)} kept on this machine, sent as soon as it is back; go on.`);
  else if (waiting.length > 1) parts.push(`sending ${many(waiting)} …`);
  for (const entry of refused) parts.push(`Not taken by the desk: ${entry.body.verdict ?? "undo"} (${entry.refusal}).`);
  by("pending").textContent = parts.join(" ");
  by("pending").dataset.away = String(Boolean(away));
}
