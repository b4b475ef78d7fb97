// Before anything is drawn: the scheme that was chosen on this machine. A plain script in the head, so that a dark
// page never flashes white.
(() => {
  const read = () => { try { return localStorage.getItem("triage.scheme"); } catch { return null; } };
  const chosen = read();
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.scheme = chosen;
  document.addEventListener("change", (event) => {
    if (event.target.id !== "scheme") return;
    const scheme = event.target.value;
    if (scheme) document.documentElement.dataset.scheme = scheme;
    else delete document.documentElement.dataset.scheme;
    try { localStorage.setItem("triage.scheme", scheme); } catch { /* it lasts as long as the page */ }
    document.dispatchEvent(new Event("scheme"));
  });
  document.addEventListener("DOMContentLoaded", () => {
    const field = document.getElementById("scheme");
    if (field) field.value = document.documentElement.dataset.scheme || "";
  });
})();
