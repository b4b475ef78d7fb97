// Previews: what intake made of each microphone (grey spectrogram, extremes of the samples, pitch), fetched once and
// coloured here for the scheme in use.

import { ramp } from "./colours.js";

/** Fetch and keep all previews of one microphone of a take. */
export class Drawings {
  constructor() { this.kept = new Map(); }

  of(take, mic) {
    const name = `${take.id} ${take.audio_digest} ${mic.name}`;
    if (!this.kept.has(name)) {
      this.kept.set(name, fetchDrawing(take, mic).catch(() => { this.kept.delete(name); return {}; }));
      if (this.kept.size > 24) this.kept.delete(this.kept.keys().next().value);
    }
    return this.kept.get(name);
  }
}

async function fetchDrawing(take, mic) {
  const contours = take.mics.find((one) => one.pitch)?.pitch; // the measured microphone's, shown on all of them
  const json = (url) => (url ? fetch(url).then((answer) => (answer.ok ? answer.json() : null)) : null);
  const [picture, wave, pitch] = await Promise.all([fetchPicture(mic.picture), json(mic.wave), json(contours)]);
  return { picture, wave, pitch };
}

/** Fetch a spectrogram with its facts. */
export async function fetchPicture(url) {
  const answer = url && (await fetch(url));
  if (!answer || !answer.ok) return null;
  const number = (name) => Number(answer.headers.get(name));
  const facts = { hopS: number("X-Hop-S"), lowHz: number("X-Low-Hz"), highHz: number("X-High-Hz") };
  const bitmap = await createImageBitmap(await answer.blob());
  const canvas = new OffscreenCanvas(bitmap.width, bitmap.height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(bitmap, 0, 0);
  return { ...facts, grey: context.getImageData(0, 0, bitmap.width, bitmap.height), coloured: {} };
}

/** Return a picture in the colours of the scheme, made once for each. */
export function coloured(picture, dark) {
  if (!picture.coloured[dark]) {
    const { data, width, height } = picture.grey, colours = ramp(dark);
    const image = new ImageData(width, height), [quiet, loud] = range(data);
    for (let at = 0; at < data.length; at += 4) {
      const step = Math.round(255 * Math.max(0, Math.min(1, (data[at] - quiet) / (loud - quiet))));
      image.data.set(colours.subarray(4 * step, 4 * step + 4), at);
    }
    const canvas = new OffscreenCanvas(width, height);
    canvas.getContext("2d").putImageData(image, 0, 0);
    picture.coloured[dark] = canvas;
  }
  return picture.coloured[dark];
}

/** Return the grey of the quiet background and that of the loudest, so that the colours are spent on what differs. */
function range(data) {
  const counts = new Uint32Array(256);
  for (let at = 0; at < data.length; at += 4) counts[data[at]]++;
  const total = data.length / 4;
  const grey = (share) => { let sum = 0; return counts.findIndex((n) => (sum += n) >= share * total); };
  const low = Math.max(0, grey(0.15) - 8);
  return [low, Math.max(low + 40, grey(0.9995))];
}
