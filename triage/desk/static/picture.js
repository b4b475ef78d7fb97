// The pictures of a take: the whole of it as a strip, and the segment around a spot as spectrogram and waveform, with
// note borders, pitch, noise hits and the spot itself. Everything is drawn from what intake measured; no sound is
// read for it. Times are seconds of the take; a picture's rows are mel bands (HTK), low bands last.

import { ink, isDark, onScheme } from "./colours.js";
import { coloured } from "./drawings.js";
import { around, drawWave, label, rule, scaleOf } from "./shapes.js";
import { family, pitchName, inWords, place, sign } from "./format.js";

const TOP = 20, FLOOR = 20, WAVE = 0.24; // px for marks above and times below; the waveform's share of the rest

export class Picture {
  constructor(whole, near) {
    this.whole = whole;
    this.near = near;
    const again = () => this.draw();
    new ResizeObserver(again).observe(whole);
    new ResizeObserver(again).observe(near);
    onScheme(again);
  }

  /** Show a take on a microphone, near a spot (or as a whole where there is none). */
  show(take, mic, spot, drawing) {
    Object.assign(this, { take, mic, spot, drawing, atS: null });
    const [fromS, toS] = spot ? around(spot, take) : [0, take.duration_s || 1];
    Object.assign(this, { fromS, toS });
    this.draw();
  }

  /** Move the cursor; null takes it away. The pictures below it are kept, so that this costs next to nothing. */
  cursor(atS) {
    if (atS === this.atS) return;
    this.atS = atS;
    for (const canvas of [this.whole, this.near]) {
      if (!canvas.still) continue;
      const context = canvas.getContext("2d");
      context.setTransform(1, 0, 0, 1, 0, 0);
      context.drawImage(canvas.still, 0, 0);
      if (atS !== null) this.#line(canvas, atS);
    }
  }

  /** Return the second under a point of a canvas. */
  secondAt(canvas, x) {
    const [fromS, toS] = canvas === this.whole ? [0, this.take.duration_s] : [this.fromS, this.toS];
    return fromS + ((toS - fromS) * x) / canvas.clientWidth;
  }

  draw() {
    if (!this.take) return;
    this.colours = Object.fromEntries(["ink", "soft", "panel", "ground", "rule", "brass", "green", "rust", "plum"].map((n) => [n, ink(n)]));
    this.#still(this.whole, (context, wide, high) => this.#drawWhole(context, wide, high));
    this.#still(this.near, (context, wide, high) => this.#drawNear(context, wide, high));
    this.whole.setAttribute("aria-label", describeWhole(this.take));
    this.near.setAttribute("aria-label", describeNear(this));
  }

  #still(canvas, paint) {
    const scale = devicePixelRatio || 1, wide = canvas.clientWidth, high = canvas.clientHeight;
    if (!wide || !high) return;
    canvas.width = Math.round(wide * scale);
    canvas.height = Math.round(high * scale);
    const context = canvas.getContext("2d");
    context.setTransform(scale, 0, 0, scale, 0, 0);
    context.font = `12px ${getComputedStyle(document.body).fontFamily}`;
    context.fillStyle = this.colours.panel;
    context.fillRect(0, 0, wide, high);
    paint(context, wide, high);
    canvas.still = new OffscreenCanvas(canvas.width, canvas.height);
    canvas.still.getContext("2d").drawImage(canvas, 0, 0);
    this.atS !== null && this.#line(canvas, this.atS);
  }

  #line(canvas, atS) {
    const [fromS, toS] = canvas === this.whole ? [0, this.take.duration_s] : [this.fromS, this.toS];
    if (atS < fromS || atS > toS) return;
    const context = canvas.getContext("2d"), x = (canvas.width * (atS - fromS)) / (toS - fromS);
    context.fillStyle = this.colours.brass;
    context.fillRect(Math.round(x) - 1, 0, 2 * (devicePixelRatio || 1), canvas.height);
  }

  #drawWhole(context, wide, high) {
    const { take, colours } = this, x = (s) => (wide * s) / take.duration_s;
    context.fillStyle = colours.rule;
    for (const note of take.notes) context.fillRect(x(note.start_s), high - 6, Math.max(1, x(note.end_s - note.start_s) - 1), 6);
    drawWave(context, this.drawing.wave, 0, take.duration_s, { top: TOP, high: high - TOP - 8, wide, colour: colours.green });
    context.strokeStyle = colours.brass;
    context.lineWidth = 1.5;
    if (this.spot) context.strokeRect(x(this.fromS) + 1, TOP - 3, x(this.toS - this.fromS) - 2, high - TOP + 1);
    for (const spot of take.spots) this.#mark(context, spot.kind, x((spot.start_s + spot.end_s) / 2), 14, spot === this.spot);
  }

  #drawNear(context, wide, high) {
    const x = (s) => (wide * (s - this.fromS)) / (this.toS - this.fromS);
    const tall = Math.round((high - TOP - FLOOR) * (1 - WAVE));
    const place = { top: TOP, high: tall, wide };
    this.#spectrogram(context, place);
    drawWave(context, this.drawing.wave, this.fromS, this.toS,
      { top: TOP + tall + 4, high: high - TOP - FLOOR - tall - 4, wide, colour: this.colours.green });
    this.#dim(context, x, wide, high);
    this.#notes(context, x, high);
    this.#pitch(context, x, place);
    this.#hits(context, x);
    this.#spotMark(context, x, high);
    this.#times(context, x, wide, high);
    this.#hertz(context, place);
  }

  #spectrogram(context, { top, high, wide }) {
    const picture = this.drawing.picture;
    if (!picture) return;
    const image = coloured(picture, isDark());
    const from = this.fromS / picture.hopS, count = (this.toS - this.fromS) / picture.hopS;
    context.imageSmoothingEnabled = true;
    context.imageSmoothingQuality = "high";
    context.drawImage(image, from, 0, count, image.height, 0, top, wide, high);
  }

  /** Dim everything outside the spot. */
  #dim(context, x, wide, high) {
    if (!this.spot) return;
    const from = x(this.spot.start_s), to = Math.max(from + 3, x(this.spot.end_s));
    context.globalAlpha = 0.42;
    context.fillStyle = this.colours.panel;
    context.fillRect(0, TOP, from, high - TOP - FLOOR);
    context.fillRect(to, TOP, wide - to, high - TOP - FLOOR);
    context.globalAlpha = 1;
  }

  #notes(context, x, high) {
    for (const note of this.take.notes) {
      if (note.end_s < this.fromS || note.start_s > this.toS) continue;
      const ours = this.spot && note.number === this.spot.note;
      context.strokeStyle = ours ? this.colours.ink : this.colours.soft;
      context.lineWidth = ours ? 1.5 : 1;
      context.setLineDash([]);
      rule(context, x(note.start_s), TOP, high - FLOOR);
      context.setLineDash([2, 3]);
      rule(context, x(note.end_s), TOP, high - FLOOR);
      context.setLineDash([]);
      label(context, `${note.number} ${pitchName(note.sheet_midi ?? note.pitch_midi)}`, Math.max(2, x(note.start_s) + 3), high - FLOOR - 5, ours ? this.colours.ink : this.colours.soft, this.colours.panel);
    }
  }

  #pitch(context, x, { top, high }) {
    const { pitch, picture } = this.drawing;
    if (!pitch) return;
    const y = scaleOf(picture, top, high);
    for (const [width, colour] of [[4, this.colours.panel], [1.8, this.colours.brass]]) {
      context.lineWidth = width;
      context.strokeStyle = colour;
      for (const contour of pitch.courses) {
        context.beginPath();
        let pen = false;
        contour.cents.forEach((cents, index) => {
          const known = cents !== null, at = x(contour.start_s + index * pitch.hop_s);
          if (known) context[pen ? "lineTo" : "moveTo"](at, y(440 * 2 ** ((cents / 100 - 69) / 12)));
          pen = known;
        });
        context.stroke();
      }
    }
  }

  #hits(context, x) {
    for (const hit of this.take.hits) this.#mark(context, hit.kind, x((hit.start_s + hit.end_s) / 2), 14, false);
  }

  /** Set brass brackets around the spot, open towards its middle. */
  #spotMark(context, x, high) {
    if (!this.spot) return;
    const from = x(this.spot.start_s), to = Math.max(from + 4, x(this.spot.end_s)), arm = Math.min(9, (to - from) / 2);
    context.strokeStyle = this.colours.brass;
    context.lineWidth = 2.5;
    context.beginPath();
    for (const [at, way] of [[from, arm], [to, -arm]]) {
      context.moveTo(at + way, TOP + 1); context.lineTo(at, TOP + 1);
      context.lineTo(at, high - FLOOR - 1); context.lineTo(at + way, high - FLOOR - 1);
    }
    context.stroke();
    this.#mark(context, this.spot.kind, (from + to) / 2, 14, true);
  }

  #mark(context, kind, x, y, strong) {
    const group = family(kind);
    context.fillStyle = this.colours[{ performance: "brass", noise: "plum", technical: "rust" }[group]];
    context.globalAlpha = strong ? 1 : 0.75;
    context.textAlign = "center";
    context.fillText(sign(group), x, y);
    context.textAlign = "left";
    context.globalAlpha = 1;
  }

  #times(context, x, wide, high) {
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60].find((s) => (wide * s) / (this.toS - this.fromS) > 70) || 60;
    context.fillStyle = this.colours.soft;
    for (let s = Math.ceil(this.fromS / step) * step; s < this.toS; s += step) {
      context.fillRect(x(s), high - FLOOR, 1, 4);
      if (x(s) < wide - 46) context.fillText(place(s), x(s) + 3, high - 5);
    }
  }

  #hertz(context, { top, high }) {
    const y = scaleOf(this.drawing.picture, top, high);
    for (const [hz, text] of [[200, "200 Hz"], [1000, "1 kHz"], [4000, "4"], [10000, "10"]])
      label(context, text, 3, y(hz) + 4, this.colours.ink, this.colours.panel);
  }
}

function describeWhole(take) {
  return `The whole take, ${Math.round(take.duration_s || 0)} seconds, ${take.notes.length} notes, ${take.spots.length} spots marked.`;
}

function describeNear({ spot, mic, fromS, toS, take }) {
  const hits = take.hits.filter((hit) => hit.end_s > fromS && hit.start_s < toS).map((hit) => `${inWords(hit.kind)} at ${place(hit.start_s)}`);
  const marked = spot ? `the spot from ${place(spot.start_s)} to ${place(spot.end_s)} marked` : "no spot";
  return `Spectrogram and waveform of the ${mic?.name ?? ""} microphone from ${place(fromS)} to ${place(toS)}, ${marked}.${hits.length ? ` Noise: ${hits.join(", ")}.` : ""}`;
}
