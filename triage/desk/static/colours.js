// Colours of the spectrogram, made here and not taken from anywhere: lightness rises (by night) or falls (by day)
// evenly in OKLab from the page's own ground, the hue goes from patina to brass. OKLab: Björn Ottosson, 2020.

const STEPS = 256;

/** Return 256 colours as one Uint8ClampedArray of r, g, b, a; the first is silence. */
export function ramp(dark) {
  const colours = new Uint8ClampedArray(4 * STEPS);
  for (let step = 0; step < STEPS; step++) {
    const t = step / (STEPS - 1);
    const lightness = dark ? 0.225 + 0.71 * t : 0.972 - 0.72 * t;
    const chroma = 0.008 + 0.095 * Math.sin(Math.PI * (dark ? 0.9 * t : 0.88 * t));
    const hue = dark ? 185 - 100 * t ** 2.5 : 165 + 30 * t;
    colours.set([...fromOklch(lightness, chroma, (hue * Math.PI) / 180), 255], 4 * step);
  }
  return colours;
}

/** Return the colour of a custom property of the style sheet as it stands in the scheme now in use. */
export function ink(name) {
  const probe = document.createElement("span");
  probe.hidden = true;
  document.body.append(probe);
  probe.style.color = `var(--${name})`;
  const found = getComputedStyle(probe).color;
  probe.remove();
  return found;
}

/** Return whether the page is dark now. */
export function isDark() {
  const chosen = document.documentElement.dataset.scheme;
  return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

/** Call back whenever the scheme changes, by the switch or by the system. */
export function onScheme(onChange) {
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", onChange);
  document.addEventListener("scheme", onChange);
}

function fromOklch(lightness, chroma, hue) {
  const a = chroma * Math.cos(hue), b = chroma * Math.sin(hue);
  const l = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3;
  const m = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3;
  const s = (lightness - 0.0894841775 * a - 1.291485548 * b) ** 3;
  const linear = [
    4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s,
    -1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s,
    -0.0041960863 * l - 0.7034186147 * m + 1.707614701 * s,
  ];
  return linear.map((v) => 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * Math.max(0, v) ** (1 / 2.4) - 0.055));
}
