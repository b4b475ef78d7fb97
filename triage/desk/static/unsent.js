// On every page but the listening one, which does so itself: verdicts that were given while the desk was away are sent,
// and a line says so until they are.

import { deliver } from "./delivery.js";
import { make } from "./desk.js";
import { Outbox, outboxesOf } from "./outbox.js";

const person = document.body.dataset.person, line = document.body.appendChild(make("p", { class: "unsent", role: "status" }));
const waiting = new Map();

for (const sessionId of document.getElementById("audition") || !person ? [] : outboxesOf(person)) {
  const outbox = new Outbox(`${person}.${sessionId}`, (entry) => deliver(sessionId, person, entry), (state) => show(sessionId, state));
  outbox.flush();
}

function show(sessionId, { waiting: entries, signedOut }) {
  waiting.set(sessionId, entries.length);
  const left = [...waiting.values()].reduce((sum, n) => sum + n, 0);
  const many = `${left} ${left === 1 ? "verdict" : "verdicts"} of yours`;
  line.textContent = !left ? "" : signedOut ? `${many} wait on this machine: sign in, and they are sent` : `Sending ${many} …`;
}
