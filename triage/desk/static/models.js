// The models' page: plays what lies at the border of a tolerance, shows what other tolerances would change in the queue,
// starts learning or a change of what is in use, and shows what the command prints while it runs.

import { announce, get, make, post } from "./desk.js";
import { Player } from "./player.js";

const player = new Player(new Audio());

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
  for (const button of document.querySelectorAll("#retrain, [data-use], [data-unlock], .tolerance-form button")) button.disabled = running;
  if (by("use")) by("use").disabled = running || !chosen();
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

const chosen = () => document.querySelector("#choices input:checked")?.dataset;
let kept = null; // of what is chosen, while the page is made anew

/** Show which takes would rise and fall with the tolerances that are chosen. */
async function showMoved() {
  const { of = "", version = "" } = chosen(), head = by("moved-head");
  kept = of || version;
  head.textContent = "Judging the newest sessions …";
  by("moved").replaceChildren();
  if (by("use")) by("use").disabled = running;
  try {
    const found = await get(`/api/models/changes?of=${encodeURIComponent(of)}&version=${encodeURIComponent(version)}`);
    if (kept !== (of || version)) return;
    by("moved-head").textContent = found.takes ? `${found.moved} of ${found.takes} takes of ${found.sessions.join(", ")} would be doubted more or less.` : "No session has been ranked yet.";
    by("moved").replaceChildren(...[["would rise", found.rises], ["would fall", found.falls]].map(([title, takes]) => list(title, takes)));
  } catch (error) { head.textContent = error.message; }
}

function list(title, takes) {
  const percent = (share) => `${Math.round(100 * share)} %`;
  const rows = takes.map((one) => make("li", {},
    one.note ? hearButton(one) : "", " ",
    make("a", { href: `/s/${one.session_id}/queue?take=${one.take_id}`, text: one.take }),
    ` ${one.place === one.later ? `stays at place ${one.place}` : `from place ${one.place} to ${one.later}`}, doubt ${percent(one.doubt)} to ${percent(one.later_doubt)} `,
    make("span", { class: "soft", text: one.why })));
  return make("section", {}, make("h3", { text: `Takes that ${title}` }), rows.length ? make("ul", {}, ...rows) : make("p", { class: "soft", text: "none by 2 % or more" }));
}

const hearButton = (one) => make("button", { type: "button", class: "hear", text: "▶", "data-take-id": one.take_id, "data-note": one.note, "data-mic": one.mic ?? "", "aria-label": `Play ${one.take} note ${one.note}` });

async function hear(button) {
  const { takeId, note } = button.dataset, playing = button.classList.contains("plays");
  player.stop();
  if (playing) return;
  try {
    const mic = button.dataset.mic || (await get(`/api/takes/${takeId}`)).measured_mic;
    button.classList.add("plays");
    await player.play([{ url: `/audio/takes/${takeId}/notes/${note}/${encodeURIComponent(mic)}`, fromS: 0, mic, take: null }]);
  } catch (error) { announce(`Cannot be played: ${error.message}`); } finally { button.classList.remove("plays"); }
}

document.addEventListener("change", (event) => event.target.name === "choice" && showMoved());
document.addEventListener("keydown", (event) => event.key === "Escape" && player.stop());
// The page was made anew: what was chosen stays so, and is judged again, unless it is no longer to be had.
document.addEventListener("renewed", () => {
  const same = kept && [...document.querySelectorAll("#choices input")].find((one) => (one.dataset.of ?? one.dataset.version) === kept);
  if (same) { same.checked = true; showMoved(); } else { kept = null; by("moved").replaceChildren(); }
});
by("retrain")?.addEventListener("click", () => start("/api/models/retrain", {}));
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-use]");
  if (button) start("/api/models/use", { version: button.dataset.use });
  if (event.target.closest("#use")) start(...(chosen().of ? ["/api/models/use-own", { of: chosen().of }] : ["/api/models/use", { version: chosen().version }]));
  const sound = event.target.closest(".hear");
  if (sound) hear(sound);
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
