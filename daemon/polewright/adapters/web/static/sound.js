// Sound on request: how near the bolt is that one turns now.  Beats, or a tone that rises; the
// pitch also tells the side, so that a nut that ran through is heard at once.

const FAR_ARCMIN = 120;

export class Sound {
  constructor() {
    this.mode = "off";
    this.near = null;
    this.context = null;
    this.timer = null;
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

  /** `near` is { amountArcmin, toleranceArcmin, side, inside }, or null: the figures are old. */
  update(near) { this.near = near; }

  #beat() {
    clearTimeout(this.timer);
    if (this.mode === "off") return;
    const pause = this.near === null ? this.#knock() : this.mode === "beats" ? this.#beats(this.near) : this.#pitch(this.near);
    this.timer = setTimeout(() => this.#beat(), pause);
  }

  #knock() {
    this.#tone(110, 0.05, 0);
    this.#tone(110, 0.05, 0.12);
    return 3000;
  }

  #beats(near) {
    if (near.inside) { this.#tone(660, 0.42, 0); return 400; }
    this.#tone(near.side > 0 ? 440 : 330, 0.06, 0);
    return beatPause(near) * 1000;
  }

  #pitch(near) {
    if (near.inside) { this.#tone(880, 0.42, 0); return 400; }
    this.#tone((near.side > 0 ? 1.03 : 1) * (180 + 600 * (1 - farness(near))), 0.22, 0);
    return near.side > 0 ? 350 : 600;
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
export function farness({ amountArcmin, toleranceArcmin }) {
  const edge = Math.max(toleranceArcmin ?? 1, 0.05);
  const part = Math.log(Math.max(amountArcmin, edge) / edge) / Math.log(Math.max(FAR_ARCMIN / edge, 2));
  return Math.min(1, Math.max(0, part));
}

/** Seconds between two beats. */
export function beatPause(near) { return 0.12 + 1.4 * farness(near); }
