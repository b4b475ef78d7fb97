// Words and numbers as a person reads them: pitches by name, kinds by family, seconds and minutes.

const NAMES = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
const KINDS = JSON.parse(document.querySelector("meta[name=kinds]").content);
const ofFamily = (family) => KINDS.filter((one) => one.family === family).map((one) => one.name);
const registry = document.querySelector("meta[name=measurements]")?.content ?? "{}";
export const MEASUREMENTS = JSON.parse(registry); // what notes are compared by: name -> {unit, label}
export const NOISES = ofFamily("noise");
export const TECHNICAL = ofFamily("technical");

/** Return the family of a kind: performance, noise or technical. */
export const family = (kind) => KINDS.find((one) => one.name === kind)?.family ?? "performance";

/** Return the sign of a family. */
export const sign = (family) => KINDS.find((one) => one.family === family).sign;

/** Return a kind in words. */
export const inWords = (kind) => (kind || "").replaceAll("-", " ");

/** Return the name of a MIDI pitch, middle C being C4. */
export function pitchName(midi) {
  if (midi === null || midi === undefined) return "";
  const nearest = Math.round(midi);
  return `${NAMES[((nearest % 12) + 12) % 12]}${Math.floor(nearest / 12) - 1}`;
}

/** Return a measured number with its unit. */
export function amount(value, unit) {
  if (value === null || value === undefined) return "–";
  if (unit === "MIDI") {
    const cents = Math.round(100 * (value - Math.round(value)));
    return pitchName(value) + (cents ? ` ${cents > 0 ? "+" : "−"}${Math.abs(cents)} cents` : "");
  }
  const digits = unit === "s" ? (Math.abs(value) < 0.1 ? 3 : 2) : Math.abs(value) >= 100 ? 0 : 1;
  return `${minus(value.toFixed(digits).replace(/^-(0[.0]*)$/, "$1"))}${unit ? ` ${unit}` : ""}`;
}

/** Return a length of time: 48 s, 3 min, 1 h 20 min; a dash for none at all. */
export function span(seconds) {
  if (seconds === null || seconds === undefined || seconds < 0.05) return "–";
  if (seconds < 90) return `${seconds < 10 ? seconds.toFixed(1) : Math.round(seconds)} s`;
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

/** Return a place in a take: 0:12.31. */
export function place(seconds) {
  const hundredths = Math.round(100 * seconds);
  return `${Math.floor(hundredths / 6000)}:${((hundredths % 6000) / 100).toFixed(2).padStart(5, "0")}`;
}

/** Return a doubt in per cent. */
// Never 0 or 100: a doubt is a probability, and nothing here is certain.
export const percent = (share) => (share === null || share === undefined ? "–" : share > 0.99 ? ">99 %" : share < 0.01 ? "<1 %" : `${Math.round(100 * share)} %`);

const minus = (text) => text.replace("-", "−");
