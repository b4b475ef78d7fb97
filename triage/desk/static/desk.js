// Requests to the desk: JSON in, JSON out, with the form token of the page; and announcements to the person.

const meta = (name) => document.querySelector(`meta[name="${name}"]`)?.content ?? "";

/** Fetch JSON; an unsuccessful answer is an Error with the desk's own message. */
export async function get(url) {
  const answer = await fetch(url, { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error(await lineOf(answer));
  return answer.json();
}

/** Send JSON (with further options of fetch) and return the Response as it is: the outbox distinguishes refused from unreachable by its status. */
export function send(url, body, options = {}) {
  return fetch(url, {
    ...options,
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Form-Token": meta("form-token") },
    body: JSON.stringify(body),
  });
}

/** Fetch a new form token; return whether it is another one and still this person's. */
export async function renewToken(person) {
  const me = await get("/api/me").catch(() => null);
  const field = document.querySelector('meta[name="form-token"]');
  if (!me || me.name !== person || me.form_token === field.content) return false;
  field.content = me.form_token;
  return true;
}

/** Send JSON and return the JSON that comes back. */
export async function post(url, body) {
  const answer = await send(url, body);
  if (!answer.ok) throw new Error(await lineOf(answer));
  return answer.json();
}

/** Return the one line that an answer gives as its reason. */
export async function lineOf(answer) {
  const body = await answer.json().catch(() => ({}));
  return body.error || `the desk answered ${answer.status}`;
}

/** Announce a line in the page's live region, for screen readers, and show it for a while if `shown`. */
export function announce(line, shown = true) {
  const region = document.getElementById("announcement");
  if (!region) return;
  region.textContent = line;
  region.classList.toggle("unseen", !shown);
  clearTimeout(announce.timer);
  announce.timer = setTimeout(() => region.classList.add("unseen"), 4000);
}

/** Return a new element: its tag, its properties (class, text, data and aria attributes), its children. */
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name === "text") element.textContent = value;
    else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** Return a new SVG element; sizes are attributes, as no style may be written into the page. */
export function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/** Call back when the desk says that something of a session changed; while it cannot be reached, ask again. */
export function follow(sessionId, onChange) {
  const source = new EventSource(`/api/s/${sessionId}/live`);
  source.addEventListener("change", (event) => onChange(JSON.parse(event.data)));
  addEventListener("pagehide", () => source.close());
  return source;
}
