// The pictures of a take: the whole of it as a strip, and the segment around the spot or note in hand: its spectrogram
// with note borders, pitch and noise hits; below it that of a neighbour, aligned at the onset; below both the lanes that
// show this kind of spot. What belongs to no note is shown with its waveform instead. Times are seconds of the take; a
// spectrogram's rows are mel bands (HTK), low bands last.

import { ink, isDark, onScheme } from "./colours.js";
import { coloured } from "./drawings.js";
import { around, drawWave, label, rule, scaleOf } from "./shapes.js";
import { amount, family, pitchName, inWords, place, sign } from "./format.js";
import { compared, drawLane, drawScale, lanesOf, segmentOf } from "./lanes.js";

const TOP = 20, FLOOR = 20, WAVE = 0.24; // px for marks above and times below; the waveform's share of the rest
const OWN = 0.36, OTHER = 0.2, GAP = 4; // shares of the note's and the neighbour's spectrogram; px between the parts
const SCALE = 0.17, LEAST_SCALE = 92; // the share of the width that the scale beside the lanes has, and px at least

export class Picture {
  constructor(whole, near) {
    this.whole = whole;
    this.near = near;
    const again = () => this.draw();
    new ResizeObserver(again).observe(whole);
    new ResizeObserver(again).observe(near);
    onScheme(again);
  }

  /** Show a take on a microphone, near a spot or a note (as a whole where there is neither). */
  show(take, mic, place, drawing) {
    const note = take.notes.find((one) => one.number === place?.note) ?? null;
    const spot = place?.kind ? place : null, lanes = note && family(spot?.kind) === "performance";
    const [fromS, toS] = !place ? [0, take.duration_s || 1] : lanes ? segmentOf(spot?.kind, note, take) : around(place, take);
    const same = take === this.take && mic === this.mic && note === this.note;
    Object.assign(this, { take, mic, place, spot, note, drawing, fromS, toS, atS: null, lanes });
    if (!same) this.compare({ own: null, neighbours: [] }, null, null);
    else this.draw();
  }

  /** Show curves of the note and its neighbours, and the spectrogram of the one that is compared with now. */
  compare({ own, neighbours }, chosen, picture) {
    const same = own !== null && own === this.own; // the same note beside another neighbour
    Object.assign(this, { own, neighbours, chosen, otherPicture: picture, repetitions: same ? this.repetitions : [] });
    this.draw();
  }

  /** Show the curves of the other repetitions of the note's cell. */
  repeat(curves) {
    this.repetitions = curves;
    this.draw();
  }

  /** Move the cursor; null takes it away. The pictures below it are kept, so that this costs next to nothing. */
  cursor(atS, ofNeighbour = false) {
    if (atS === this.atS) return;
    this.atS = atS;
    this.onNeighbour = ofNeighbour;
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
    return fromS + ((toS - fromS) * Math.min(1, x / this.#plotted(canvas)));
  }

  /** Return the width, in CSS pixels, that time runs over: the scale stands beside it. */
  #plotted(canvas) {
    const wide = canvas.clientWidth;
    return canvas === this.near && this.lanes ? wide - Math.max(LEAST_SCALE, SCALE * wide) : wide;
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
    if (atS < fromS || atS > toS || (canvas === this.whole && this.onNeighbour)) return;
    const scale = devicePixelRatio || 1, context = canvas.getContext("2d");
    const x = (scale * this.#plotted(canvas) * (atS - fromS)) / (toS - fromS);
    // A neighbour's sound moves over its own spectrogram and the lanes, not over the note's.
    const top = this.onNeighbour ? scale * (this.otherTop ?? 0) : 0;
    context.fillStyle = this.onNeighbour ? this.colours.green : this.colours.brass;
    context.fillRect(Math.round(x) - 1, top, 2 * scale, canvas.height - top);
  }

  #drawWhole(context, wide, high) {
    const { take, colours } = this, x = (s) => (wide * s) / take.duration_s;
    context.fillStyle = colours.rule;
    for (const note of take.notes) context.fillRect(x(note.start_s), high - 6, Math.max(1, x(note.end_s - note.start_s) - 1), 6);
    drawWave(context, this.drawing.wave, 0, take.duration_s, { top: TOP, high: high - TOP - 8, wide, colour: colours.green });
    context.strokeStyle = colours.brass;
    context.lineWidth = 1.5;
    if (this.place) context.strokeRect(x(this.fromS) + 1, TOP - 3, x(this.toS - this.fromS) - 2, high - TOP + 1);
    for (const spot of take.spots) this.#mark(context, spot.kind, x((spot.start_s + spot.end_s) / 2), 14, spot === this.spot);
  }

  #drawNear(context, wide, high) {
    const plotted = this.#plotted(this.near), x = (s) => (plotted * (s - this.fromS)) / (this.toS - this.fromS);
    const room = high - TOP - FLOOR;
    const place = { top: TOP, high: Math.round(room * (this.lanes ? OWN : 1 - WAVE)), wide: plotted };
    this.#spectrogram(context, this.drawing.picture, place, 0);
    if (this.lanes) this.#drawLanes(context, x, { top: TOP + place.high + GAP, high: room - place.high - GAP, wide: plotted }, wide);
    else drawWave(context, this.drawing.wave, this.fromS, this.toS,
      { top: TOP + place.high + 4, high: room - place.high - 4, wide, colour: this.colours.green });
    const bottom = this.lanes ? TOP + place.high : high - FLOOR;
    context.save();
    context.beginPath();
    context.rect(0, 0, plotted, high);
    context.clip();
    this.#dim(context, x, plotted, bottom);
    this.#notes(context, x, bottom, plotted);
    this.#pitch(context, x, place);
    this.#hits(context, x);
    this.#spotMark(context, x, bottom);
    this.#times(context, x, plotted, high);
    context.restore();
    this.#hertz(context, place);
  }

  /** Draw the neighbour's spectrogram, aligned at the onset, the lanes, and the scale beside them. */
  #drawLanes(context, x, { top, high, wide }, all) {
    const { note, spot, own, neighbours, repetitions, chosen, colours } = this;
    const other = { top, high: Math.round((high / (1 - OWN)) * OTHER), wide };
    this.otherTop = top;
    context.fillStyle = colours.ground;
    context.fillRect(0, other.top, wide, other.high);
    if (chosen) this.#spectrogram(context, this.otherPicture, other, chosen.start_s - note.start_s);
    const name = chosen ? `${chosen.take} note ${chosen.note}, ${chosen.why}` : "no good neighbour is known";
    label(context, name, 3, other.top + 13, colours.ink, colours.panel);
    const from = other.top + other.high + GAP, names = lanesOf(spot), each = (top + high - from) / names.length;
    const view = { note, spot, own, neighbours, repetitions, chosen, colours, x, measured: this.mic?.name === this.take.measured_mic };
    names.forEach((what, at) => drawLane(context, what, { top: from + at * each, high: each - (at < names.length - 1 ? 2 : 0), wide }, view));
    const what = compared(note, spot);
    if (what) drawScale(context, { left: wide, top: TOP, high: top + high - TOP, wide: all - wide }, what, neighbours, colours);
  }

  /** Draw a spectrogram over the segment shown, moved by so many seconds. */
  #spectrogram(context, picture, { top, high, wide }, movedS) {
    if (!picture) return;
    const image = coloured(picture, isDark());
    const from = (this.fromS + movedS) / picture.hopS, count = (this.toS - this.fromS) / picture.hopS;
    context.imageSmoothingEnabled = true;
    context.imageSmoothingQuality = "high";
    context.drawImage(image, from, 0, count, image.height, 0, top, wide, high);
  }

  /** Dim everything outside the spot. */
  #dim(context, x, wide, bottom) {
    if (!this.spot) return;
    const from = x(this.spot.start_s), to = Math.max(from + 3, x(this.spot.end_s));
    context.globalAlpha = 0.42;
    context.fillStyle = this.colours.panel;
    context.fillRect(0, TOP, from, bottom - TOP);
    context.fillRect(to, TOP, wide - to, bottom - TOP);
    context.globalAlpha = 1;
  }

  #notes(context, x, bottom, wide) {
    for (const note of this.take.notes) {
      if (note.end_s < this.fromS || note.start_s > this.toS) continue;
      const ours = note === this.note;
      context.strokeStyle = ours ? this.colours.ink : this.colours.soft;
      context.lineWidth = ours ? 1.5 : 1;
      context.setLineDash([]);
      rule(context, x(note.start_s), TOP, bottom);
      context.setLineDash([2, 3]);
      if (x(note.end_s) < wide) rule(context, x(note.end_s), TOP, bottom);
      context.setLineDash([]);
      label(context, `${note.number} ${pitchName(note.sheet_midi ?? note.pitch_midi)}`, Math.max(42, x(note.start_s) + 3), TOP + 13, ours ? this.colours.ink : this.colours.soft, this.colours.panel);
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
  #spotMark(context, x, bottom) {
    if (!this.spot) return;
    const from = x(this.spot.start_s), to = Math.max(from + 4, x(this.spot.end_s)), arm = Math.min(9, (to - from) / 2);
    context.strokeStyle = this.colours.brass;
    context.lineWidth = 2.5;
    context.beginPath();
    for (const [at, way] of [[from, arm], [to, -arm]]) {
      context.moveTo(at + way, TOP + 1); context.lineTo(at, TOP + 1);
      context.lineTo(at, bottom - 1); context.lineTo(at + way, bottom - 1);
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

function describeNear({ spot, note, mic, fromS, toS, take, lanes, chosen, repetitions = [] }) {
  const hits = take.hits.filter((hit) => hit.end_s > fromS && hit.start_s < toS).map((hit) => `${inWords(hit.kind)} at ${place(hit.start_s)}`);
  const marked = spot ? `the spot from ${place(spot.start_s)} to ${place(spot.end_s)} marked` : "no spot";
  const what = lanes ? compared(note, spot) : null, band = what?.low ?? null;
  const read = what && what.found !== null ? ` ${what.label} ${amount(what.found, what.unit)}${band === null ? "" : `, expected ${amount(what.expected, what.unit)}, usually ${amount(what.low, what.unit)} to ${amount(what.high, what.unit)}`}.` : "";
  const others = repetitions.length ? `, and ${repetitions.length} other ${repetitions.length === 1 ? "repetition" : "repetitions"} of its cell` : "";
  const beside = lanes && chosen ? ` Below it note ${chosen.note} of ${chosen.take}, ${chosen.why}${others}.` : "";
  return `Spectrogram and ${lanes ? lanesOf(spot).map((one) => (one === "cents" ? "pitch" : one)).join(" and ") : "waveform"} of the ${mic?.name ?? ""} microphone from ${place(fromS)} to ${place(toS)}, ${marked}.${read}${beside}${hits.length ? ` Noise: ${hits.join(", ")}.` : ""}`;
}
