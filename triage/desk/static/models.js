// The models' page: starts retraining or a change of version, and shows what the command prints while it runs.

import { get, post, announce } from "./desk.js";

const by = (id) => document.getElementById(id);
const words = { running: "runs", done: "is done", failed: "has failed" };
let running = false;

async function look() {
  const job = await get("/api/models/job").catch(() => null);
  if (job && job.state !== "none") showJob(job);
  if (running) setTimeout(look, 1000);
}

function showJob(job) {
  const ended = running && job.state !== "running";
  running = job.state === "running";
  by("job-state").textContent = `triage ${job.what}, started by ${job.by}, ${words[job.state]}.`;
  by("job-lines").hidden = !job.lines.length;
  by("job-lines").textContent = job.lines.join("\n");
  by("job-lines").scrollTop = by("job-lines").scrollHeight;
  for (const button of document.querySelectorAll("#retrain, [data-use]")) button.disabled = running;
  if (ended) document.dispatchEvent(new Event("renew")); // versions and their use may have changed
}

async function start(url, body) {
  try {
    showJob(await post(url, body));
    running = true;
    look();
  } catch (error) {
    announce(error.message);
    by("job-state").textContent = error.message;
  }
}

by("retrain")?.addEventListener("click", () => start("/api/models/retrain", {}));
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-use]");
  if (button) start("/api/models/use", { version: button.dataset.use });
});
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-unlock]");
  if (button) start("/api/models/tolerance", { kind: button.dataset.unlock, size: null });
});
document.addEventListener("submit", (event) => {
  const form = event.target.closest(".tolerance-form");
  if (!form) return;
  event.preventDefault();
  start("/api/models/tolerance", { kind: form.dataset.kind, size: Number(form.elements.size.value) });
});
look();
