// The player: short clips are fetched and decoded ahead, so that a key sounds at once and one clip follows another to
// the sample; a whole take streams from an audio element by range requests. One thing plays at a time.
//
// Safety: the level goes from -30 to +12 dB re the file, and whatever it is set to, a lifted clip never peaks above
// CEILING of full scale; a streamed take is never lifted. `rest()` brings a lift back to 0 dB.

const CEILING = 0.5; // -6 dB re full scale
const KEPT = 60; // clips
const STEP_DB = 3;

export class Player {
  constructor(element) {
    this.element = element;
    this.levelDb = -6;
    this.clips = new Map();
    this.turn = 0;
    this.now = null;
    this.loops = false; // what plays begins again at its end
    element.addEventListener("ended", () => this.now?.streams && this.#finish());
  }

  /** Fetch a clip before it is asked for; a failure is reported only when it is to be played. */
  prefetch(url) {
    if (!this.clips.has(url)) {
      const clip = fetch(url).then((answer) => {
        if (!answer.ok) throw new Error(`no sound: the desk answered ${answer.status}`);
        return answer.arrayBuffer();
      });
      clip.catch(() => this.clips.delete(url));
      this.clips.set(url, clip);
      if (this.clips.size > KEPT) this.clips.delete(this.clips.keys().next().value);
    }
    return this.clips.get(url);
  }

  /**
   * Play clips, one straight after the other; each is {url, fromS, mic, take, lift}. Returns once all are over or
   * something else plays; rejects where one cannot be fetched.
   */
  async play(clips, onTurn = () => {}) {
    const turn = this.#begin();
    const context = this.#context();
    const buffers = await Promise.all(clips.map((clip) => this.#buffer(clip.url)));
    if (turn !== this.turn) return;
    let at = context.currentTime + 0.005;
    const sources = buffers.map((buffer, index) => {
      const source = new AudioBufferSourceNode(context, { buffer });
      const gain = new GainNode(context, { gain: this.#gain(buffer, clips[index].lift ?? 1) });
      source.connect(gain).connect(context.destination);
      source.start(at);
      const part = { source, gain, buffer, clip: clips[index], startS: at, endS: at + buffer.duration };
      at = part.endS;
      return part;
    });
    this.now = { parts: sources, startedAt: context.currentTime, onTurn };
    onTurn(clips[0]);
    await new Promise((done) => {
      this.now.done = done;
      sources.at(-1).source.onended = () => turn === this.turn && this.#finish();
    });
    if (turn === this.turn && this.loops) await this.play(clips, onTurn);
  }

  /** Play a long file from a second on. */
  async stream(clip, fromS = 0) {
    const turn = this.#begin();
    if (this.element.dataset.url !== clip.url) {
      this.element.src = clip.url;
      this.element.dataset.url = clip.url;
    }
    this.element.volume = Math.min(1, 10 ** (this.levelDb / 20));
    this.element.currentTime = fromS;
    this.now = { streams: true, clip };
    await this.element.play();
    if (turn === this.turn) await new Promise((done) => (this.now.done = done));
  }

  stop() {
    this.turn++;
    this.element.pause();
    for (const part of this.now?.parts || []) part.source.stop();
    this.#finish();
  }

  get playing() { return this.now !== null; }

  /** Return what sounds now as {take, mic, atS}, seconds from the start of that take; null if nothing does. */
  where() {
    if (!this.now) return null;
    if (this.now.streams) return { ...this.now.clip, atS: this.element.currentTime };
    const t = this.audio.currentTime;
    const part = this.now.parts.find((one) => t < one.endS) || this.now.parts.at(-1);
    return { ...part.clip, atS: part.clip.fromS + Math.max(0, t - part.startS) };
  }

  /** Change the level by so many steps; return it in dB. */
  louder(steps) {
    this.levelDb = Math.max(-30, Math.min(12, this.levelDb + STEP_DB * steps));
    this.element.volume = Math.min(1, 10 ** (this.levelDb / 20));
    for (const part of this.now?.parts || []) part.gain.gain.value = this.#gain(part.buffer, part.clip.lift ?? 1);
    return this.levelDb;
  }

  /** Take back a lift: what comes next is not to be louder than the file. */
  rest() { this.levelDb = Math.min(this.levelDb, 0); }

  #context() {
    this.audio ??= new AudioContext({ latencyHint: "interactive" });
    if (this.audio.state === "suspended") this.audio.resume();
    return this.audio;
  }

  #begin() {
    this.stop();
    return this.turn;
  }

  #finish() {
    const was = this.now;
    this.now = null;
    was?.done?.();
  }

  async #buffer(url) {
    const found = await this.prefetch(url);
    if (found instanceof AudioBuffer) return found;
    const buffer = await this.#context().decodeAudioData(found.slice(0));
    this.clips.set(url, Promise.resolve(buffer));
    return buffer;
  }

  #gain(buffer, lift) {
    const asked = 10 ** (this.levelDb / 20) * lift;
    return asked <= 1 ? asked : Math.max(1, Math.min(asked, CEILING / peakOf(buffer)));
  }
}

function peakOf(buffer) {
  let peak = 1e-6;
  for (let channel = 0; channel < buffer.numberOfChannels; channel++)
    for (const value of buffer.getChannelData(channel)) peak = Math.max(peak, Math.abs(value));
  return peak;
}
