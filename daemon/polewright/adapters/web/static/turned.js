// Telling what was turned: which knob, which way, whole turns and a part, said back before it goes.

import { choices, put } from "./draw.js";

const $ = (id) => document.getElementById(id);
// Every part that the words name, and the eighths between.
const PARTS = [["0", 0], ["1/16", 1 / 16], ["1/8", 1 / 8], ["1/6", 1 / 6], ["1/4", 1 / 4], ["1/3", 1 / 3],
  ["3/8", 3 / 8], ["1/2", 1 / 2], ["5/8", 5 / 8], ["2/3", 2 / 3], ["3/4", 3 / 4], ["7/8", 7 / 8]];
// The service takes up to 50 turns in one report.
const MOST_WHOLE = 49;

export class TurnReport {
  /** `onTurn(bolt, turns)`: clockwise positive. */
  constructor(onTurn) {
    this.bolt = null;
    this.sense = null;
    choices($("turned-bolt"), [["altitude knob", "altitude"], ["azimuth knob", "azimuth"]], null, (bolt) => { this.bolt = bolt; this.#show(); });
    choices($("turned-sense"), [["clockwise", 1], ["anticlockwise", -1]], null, (sense) => { this.sense = sense; this.#show(); });
    choices($("turned-part"), PARTS, null, (part) => { this.part = part; this.#show(); });
    for (const [id, step] of [["turned-less", -1], ["turned-more", 1], ["turned-five", 5]]) {
      $(id).addEventListener("click", () => {
        this.whole = Math.min(MOST_WHOLE, Math.max(0, this.whole + step));
        this.#show();
      });
    }
    $("turned-send").addEventListener("click", () => onTurn(this.bolt, this.sense * (this.whole + this.part)));
    this.begin();
  }

  /** Knob and way stay as they were said last; how far is asked anew. */
  begin() {
    this.whole = 0;
    this.part = 0;
    for (const [index, button] of [...$("turned-part").children].entries()) button.setAttribute("aria-pressed", String(index === 0));
    this.#show();
  }

  #show() {
    const turns = this.whole + this.part;
    const part = this.part ? PARTS.find(([, value]) => value === this.part)[0] : "";
    const size = [this.whole || "", part].filter(Boolean).join(" ");
    put($("turned-whole"), String(this.whole));
    $("turned-less").disabled = this.whole === 0;
    const missing = this.bolt === null ? "Which knob?" : this.sense === null ? "Which way?" : turns === 0 ? "How far?" : "";
    $("turned-send").disabled = Boolean(missing);
    put($("turned-send"), missing || `Say it: ${this.bolt} knob, ${size} turn${turns > 1 ? "s" : ""} ${this.sense > 0 ? "clockwise" : "anticlockwise"}`);
  }
}
