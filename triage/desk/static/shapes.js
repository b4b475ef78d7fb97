// Strokes: the single lines and shapes that pictures of a take are drawn with, on a canvas context in CSS pixels.

const mel = (hz) => 2595 * Math.log10(1 + hz / 700);

/** Return the segment shown around a spot: at least two seconds, with some of what is before and after. */
export function around(spot, take) {
  const middle = (spot.start_s + spot.end_s) / 2, half = Math.max(1.1, 0.85 * (spot.end_s - spot.start_s));
  const wide = Math.min(2 * half, take.duration_s || 2 * half);
  const fromS = Math.max(0, Math.min(middle - wide / 2, (take.duration_s || wide) - wide));
  return [fromS, fromS + wide];
}

export function scaleOf(picture, top, high) {
  const low = mel(picture?.lowHz || 20), most = mel(picture?.highHz || 20000);
  return (hz) => top + high * (1 - (mel(hz) - low) / (most - low));
}

/** Draw the extremes of the samples; the height is the root of the amplitude, so that tails and noises show. */
export function drawWave(context, wave, fromS, toS, { top, high, wide, colour }) {
  if (!wave) return;
  const root = (v) => Math.sign(v) * Math.sqrt(Math.abs(v) / 127), middle = top + high / 2;
  context.fillStyle = colour;
  for (let px = 0; px < wide; px++) {
    const first = Math.floor((fromS + ((toS - fromS) * px) / wide) / wave.hop_s);
    const last = Math.max(first + 1, Math.floor((fromS + ((toS - fromS) * (px + 1)) / wide) / wave.hop_s));
    let low = 0, most = 0;
    for (let at = Math.max(0, first); at < Math.min(last, wave.low.length); at++) {
      low = Math.min(low, wave.low[at]);
      most = Math.max(most, wave.high[at]);
    }
    const up = (root(most) * high) / 2, down = (-root(low) * high) / 2;
    context.fillRect(px, middle - up, 1, Math.max(1, up + down));
  }
}

export function rule(context, x, from, to) {
  context.beginPath();
  context.moveTo(Math.round(x) + 0.5, from);
  context.lineTo(Math.round(x) + 0.5, to);
  context.stroke();
}

export function label(context, text, x, y, colour, ground) {
  const wide = context.measureText(text).width;
  context.globalAlpha = 0.8;
  context.fillStyle = ground;
  context.fillRect(x - 2, y - 11, wide + 4, 14);
  context.globalAlpha = 1;
  context.fillStyle = colour;
  context.fillText(text, x, y);
}
