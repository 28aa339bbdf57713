// Spoken corrections on request: on change, and not more often than every few seconds.

import { spoken } from "./words.js";

const PAUSE_MS = 5000;

export class Voice {
  constructor() {
    this.on = false;
    this.said = "";
    this.at = -Infinity;
    this.waiting = "";
  }

  static get possible() { return "speechSynthesis" in window; }

  setOn(on) {
    this.on = on && Voice.possible;
    if (!this.on) { if (Voice.possible) speechSynthesis.cancel(); return; }
    this.said = "";
    this.say("I will say what to turn", { now: true });
  }

  /** Say this when it is news; what is at once goes before what waits. */
  say(words, { now = false } = {}) {
    if (!this.on || (!now && words === this.said)) return;
    clearTimeout(this.timer);
    const left = this.at + PAUSE_MS - performance.now();
    if (!now && left > 0) { this.timer = setTimeout(() => this.say(words), left); return; }
    this.said = words;
    this.at = performance.now();
    speechSynthesis.cancel();
    speechSynthesis.speak(new SpeechSynthesisUtterance(spoken(words)));
  }
}
