// A page that keeps up with its session: when the desk says that something changed, its live parts are fetched anew
// and put in place. What has the focus, and where one has scrolled to, stays.

const EVERY_MS = 3000, SOON_MS = 500;
const parts = [...document.querySelectorAll("[data-live]")];
let known = null;

async function look() {
  try {
    const answer = await fetch(parts[0].dataset.live);
    if (!answer.ok) return;
    const now = await answer.text();
    // What is still being made is asked for until it is there.
    if ((known !== null && now !== known) || document.querySelector("[data-waits]")) await renew();
    known = now;
  } catch { /* away: the page stands as it is, and looks again */ }
}

function lookOn() {
  setTimeout(async () => { if (!document.hidden) await look(); lookOn(); }, document.querySelector("[data-waits]") ? SOON_MS : Number(parts[0].dataset.every) || EVERY_MS);
}

async function renew() {
  const answer = await fetch(location.href);
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const part of parts) {
    const other = fresh.getElementById(part.id);
    if (!other || other.innerHTML === part.innerHTML) continue;
    const held = part.contains(document.activeElement) && pathOf(document.activeElement);
    part.replaceChildren(...document.importNode(other, true).childNodes);
    if (held) part.querySelector(held)?.focus();
  }
  document.dispatchEvent(new Event("renewed"));
}

const pathOf = (element) => (element.id ? `#${CSS.escape(element.id)}` : element.getAttribute("href") ? `[href="${CSS.escape(element.getAttribute("href"))}"]` : null);

document.addEventListener("renew", renew);
if (parts.length) { look(); lookOn(); }
