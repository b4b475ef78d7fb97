// The last take from the stand: play it, and say that it is fine or to be played again, by button or by one key each.

import { announce, post } from "./desk.js";
import { Player } from "./player.js";

const player = new Player(new Audio());
const latest = () => document.querySelector(".latest");
const KEYS = { KeyP: "[data-sound]", KeyF: '[data-verdict="accept"]', KeyG: '[data-verdict="reject"]' };

function play(button) {
  if (player.playing) return player.stop();
  button.setAttribute("aria-pressed", "true");
  const over = () => document.querySelector(".latest [data-sound]")?.removeAttribute("aria-pressed");
  return player.stream({ url: button.dataset.sound, mic: "", take: null }).finally(over);
}

async function say(button) {
  const take = latest().dataset.take, fine = button.dataset.verdict === "accept";
  button.disabled = true;
  try {
    await post(`/api/takes/${take}/verdict`, { verdict: button.dataset.verdict, key: crypto.randomUUID() });
    announce(fine ? "Heard: fine" : "To be played again");
    document.dispatchEvent(new Event("renew"));
  } finally {
    button.disabled = false;
  }
}

document.addEventListener("click", async (event) => {
  const button = event.target.closest(".latest [data-sound], .latest [data-verdict]");
  if (!button) return;
  try {
    await (button.dataset.sound ? play(button) : say(button));
  } catch (error) {
    announce(error.message);
  }
});

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") return player.stop();
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || event.target.matches("input, select, textarea")) return;
  latest()?.querySelector(KEYS[event.code] || "none")?.click();
});
