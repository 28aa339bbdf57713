// Sound on request: how near the bolt is that one turns now.  Beats, or a tone that rises; the
// pitch also tells the side, so that a nut that ran through is heard at once.

const FAR_ARCMIN = 120;

export class Sound {
  constructor() {
    this.mode = "off";
    this.near = null;
    this.context = null;
    this.timer = null;
    this.at = 0;
    this.due = Infinity;
  }

  /** Must be called from a tap: browsers let nothing sound before. */
  setMode(mode) {
    this.mode = mode;
    clearTimeout(this.timer);
    if (mode === "off") { this.context?.suspend(); return; }
    this.context ??= new AudioContext();
    this.context.resume();
    this.#beat();
  }

  /** `near` is { amountArcmin, roomArcmin, side, inside }, or null: the figures are old. */
  update(near) {
    this.near = near;
    // A beat that is due sooner now does not wait for the slow one before.
    if (this.mode !== "off" && near !== null && performance.now() + this.#pause() < this.due) this.#later(this.at + this.#pause() - performance.now());
  }

  #pause() {
    if (this.near === null) return 3000;
    if (this.near.inside) return 400;
    if (this.mode === "beats") return beatPause(this.near) * 1000;
    return this.near.side > 0 ? 350 : 600;
  }

  #later(ms) {
    clearTimeout(this.timer);
    this.due = performance.now() + Math.max(0, ms);
    this.timer = setTimeout(() => this.#beat(), Math.max(0, ms));
  }

  #beat() {
    clearTimeout(this.timer);
    if (this.mode === "off") return;
    // A call or another app may have taken the sound away.
    if (this.context.state !== "running") this.context.resume();
    this.at = performance.now();
    const { near } = this;
    if (near === null) { this.#tone(110, 0.05, 0); this.#tone(110, 0.05, 0.12); }
    else if (near.inside) this.#tone(this.mode === "beats" ? 660 : 880, 0.42, 0);
    else if (this.mode === "beats") this.#tone(near.side > 0 ? 440 : 330, 0.06, 0);
    else this.#tone((near.side > 0 ? 1.03 : 1) * (180 + 600 * (1 - farness(near))), 0.22, 0);
    this.#later(this.#pause());
  }

  #tone(hertz, length, delay) {
    const start = this.context.currentTime + delay;
    const voice = this.context.createOscillator();
    const gain = this.context.createGain();
    voice.frequency.value = hertz;
    gain.gain.setValueAtTime(0, start);
    gain.gain.linearRampToValueAtTime(0.25, start + 0.01);
    gain.gain.setValueAtTime(0.25, start + length - 0.015);
    gain.gain.linearRampToValueAtTime(0, start + length);
    voice.connect(gain).connect(this.context.destination);
    voice.start(start);
    voice.stop(start + length + 0.02);
  }
}

/** 0 at the edge of the collar, 1 at two degrees and beyond. */
export function farness({ amountArcmin, roomArcmin }) {
  const edge = Math.max(roomArcmin ?? 1, 0.05);
  const part = Math.log(Math.max(amountArcmin, edge) / edge) / Math.log(Math.max(FAR_ARCMIN / edge, 2));
  return Math.min(1, Math.max(0, part));
}

/** Seconds between two beats. */
export function beatPause(near) { return 0.12 + 1.4 * farness(near); }
