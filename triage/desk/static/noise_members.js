// The members of a group of noises, played one after another by keys; each can be corrected: another kind, other
// boundaries, or no noise. What plays is marked in the list and named beside it.

import { announce, get, make, post } from "./desk.js";
import { Player } from "./player.js";

const player = new Player(new Audio());
const page = () => document.getElementById("noise");
const open = { list: null, members: [], at: -1 };
const STEPS = { KeyN: 1, KeyB: -1, Space: 0 };

/** Open the group's list below its button, or close it. */
export async function openMembers(button) {
  const before = document.querySelector(".members");
  before?.remove();
  document.querySelectorAll("[data-members]").forEach((one) => one.setAttribute("aria-expanded", "false"));
  player.stop();
  if (before && open.group === button.dataset.members) return void (open.group = null);
  await show(button);
  await go(1);
}

async function show(button) {
  open.group = button.dataset.members;
  open.members = await get(`/api/s/${page().dataset.session}/noise/hits?group=${encodeURIComponent(open.group)}`);
  open.list = make("ol", { class: "members", "aria-label": "Noises of this group" }, ...open.members.map(row));
  open.at = -1;
  button.setAttribute("aria-expanded", "true");
  button.closest("li").append(open.list);
}

// The sheet was made anew: the group stays open where it was, unless it is gone.
document.addEventListener("renewed", async () => {
  const button = open.group && document.querySelector(`[data-members="${CSS.escape(open.group)}"]`), { at } = open;
  if (!button) return void (open.group = null);
  await show(button);
  open.at = Math.min(at, open.members.length - 1);
  if (open.at >= 0) mark();
});

/** Play the next, the one before, or the same again. */
export function membersKey(event) {
  if (!open.group || !(event.code in STEPS) || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.target.matches("input, select, textarea") || (event.code === "Space" && event.target.matches("button"))) return;
  event.preventDefault();
  go(STEPS[event.code]);
}

async function go(step) {
  if (!open.members.length) return;
  open.at = Math.max(0, Math.min(open.members.length - 1, open.at + step));
  const member = open.members[open.at], rows = mark();
  announce(`${open.at + 1} of ${open.members.length}: ${member.take}`, false);
  rows[open.at].classList.add("plays");
  try {
    await player.play([{ url: member.sound, fromS: 0, mic: member.mic, take: null }]);
  } catch (error) { announce(error.message); } finally { rows[open.at]?.classList.remove("plays"); rows.forEach((one) => one.getAttribute("aria-current") || one.classList.remove("plays")); }
}

/** Mark the row in hand and take the focus there, so that Space plays it and presses no button. */
function mark() {
  const rows = [...open.list.children];
  rows.forEach((one, n) => (n === open.at ? one.setAttribute("aria-current", "true") : one.removeAttribute("aria-current")));
  rows[open.at].scrollIntoView({ block: "nearest" });
  rows[open.at].focus({ preventScroll: true });
  return rows;
}

function row(member, n) {
  const where = `${member.take} at ${member.start_s.toFixed(2)} s${member.note ? `, note ${member.note}` : ""}`;
  const hear = make("button", { type: "button", text: "Play", "aria-label": `Play ${where}` });
  hear.addEventListener("click", () => { open.at = n; go(0); });
  const line = make("li", { tabindex: "-1" }, hear, make("span", { text: `${where}${member.corrected ? " · corrected" : ""}` }));
  if (page().dataset.corrects === "True") line.append(...correction(member));
  return line;
}

function correction(member) {
  const kinds = page().dataset.noises.split(" ");
  const kind = make("select", { "aria-label": "What it is" }, ...kinds.map((name) => make("option", { text: name.replaceAll("-", " "), value: name, selected: name === member.kind })), make("option", { text: "no noise", value: "" }));
  const [start, end] = ["start", "end"].map((name) => make("input", { type: "number", step: "0.01", min: "0", value: member[`${name}_s`].toFixed(2), "aria-label": name === "start" ? "From, seconds" : "To, seconds" }));
  const apply = make("button", { type: "button", text: "Correct" });
  apply.addEventListener("click", async () => {
    apply.disabled = true;
    announce("Re-ranking the session …");
    try {
      const body = { kind: kind.value || null, start_s: Number(start.value), end_s: Number(end.value) };
      await post(`/api/s/${page().dataset.session}/noise/hits/${member.id}`, body);
      announce(kind.value ? "Corrected; session re-ranked" : "No noise; session re-ranked");
      document.dispatchEvent(new Event("renew"));
    } catch (error) { apply.disabled = false; announce(error.message); }
  });
  return [kind, start, make("span", { text: "to" }), end, apply];
}
