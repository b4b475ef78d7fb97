// The noise sheet: plays the worst hit of a group, shows it, and records that a person marked the group as harmless.

import { ink, isDark, onScheme } from "./colours.js";
import { coloured, fetchPicture } from "./drawings.js";
import { post, announce } from "./desk.js";
import { openMembers, membersKey } from "./noise_members.js";
import { Player } from "./player.js";

const player = new Player(new Audio());
const sessionId = document.getElementById("noise").dataset.session;
const pictures = new Map();

async function glimpse(canvas) {
  const { picture: url, start, end, from, to } = canvas.dataset;
  if (!pictures.has(url)) pictures.set(url, fetchPicture(url).catch(() => null));
  const picture = await pictures.get(url);
  const wide = canvas.clientWidth, high = canvas.clientHeight, scale = devicePixelRatio || 1;
  canvas.width = wide * scale;
  canvas.height = high * scale;
  const context = canvas.getContext("2d");
  context.scale(scale, scale);
  if (picture) {
    const first = start / picture.hopS, count = (end - start) / picture.hopS;
    context.drawImage(coloured(picture, isDark()), first, 0, count, picture.grey.height, 0, 0, wide, high);
  }
  const x = (seconds) => (wide * (seconds - start)) / (end - start);
  context.fillStyle = ink("brass");
  context.fillRect(x(from), 0, Math.max(4, x(to) - x(from)), 4);
  context.fillRect(x(from), high - 4, Math.max(4, x(to) - x(from)), 4);
}

const glimpseAll = () => document.querySelectorAll(".glimpse").forEach(glimpse);

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-sound], [data-harmless], [data-members]");
  if (!button) return;
  try {
    if (button.dataset.members) return await openMembers(button);
    if (button.dataset.sound) return await player.play([{ url: button.dataset.sound, fromS: 0, mic: "", take: null }]);
    button.disabled = true;
    const harmless = button.dataset.word === "true";
    announce("Re-ranking the session …"); // which takes seconds, the first time longer
    await post(`/api/s/${sessionId}/harmless`, { group: button.dataset.harmless, harmless });
    announce(harmless ? "Marked as harmless; session re-ranked" : "Back on the sheet; session re-ranked");
    document.dispatchEvent(new Event("renew"));
  } catch (error) {
    button.disabled = false;
    announce(error.message);
  }
});
document.addEventListener("keydown", (event) => (event.key === "Escape" ? player.stop() : membersKey(event)));
document.addEventListener("renewed", glimpseAll);
onScheme(glimpseAll);
glimpseAll();
