// What the engineer makes of a file that did not arrive as it should: one click each, kept with name and time.

import { announce, post } from "./desk.js";

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-action]");
  if (!button) return;
  const box = button.closest(".arrival-acts"), field = (name) => box.querySelector(`[name="${name}"]`)?.value.trim() || null;
  button.disabled = true;
  try {
    const body = { action: button.dataset.action, path: box.dataset.path, take: box.dataset.take, mic: box.dataset.mic };
    const answer = await post(`/api/s/${document.getElementById("arrived").dataset.session}/arrivals`, { ...body, of_take: field("of_take"), of_mic: field("of_mic") });
    announce(answer.done);
    document.dispatchEvent(new Event("renew"));
  } catch (error) { announce(error.message); } finally { button.disabled = false; }
});
