// This screen: what is looked at, how bright, what sounds.  Choices stay in this browser.

import { choices } from "./draw.js";
import { LIGHTS, keep, lastLight, recall, setLight } from "./light.js";

const $ = (id) => document.getElementById(id);
const SOUNDS = [["off", "off"], ["beats", "beats"], ["tone", "pitch"]];
const ON_OFF = [["off", "off"], ["on", "on"]];

export class Screen {
  constructor({ sound, voice, awake, onView, redraw }) {
    this.onView = onView;
    this.view = "bolts";
    this.bolt = null;
    this.redraw = redraw;
    for (const button of document.querySelectorAll("[data-view]")) {
      button.addEventListener("click", () => this.show(button.dataset.view));
    }
    choices($("choose-light"), LIGHTS, lastLight(), (value) => { keep("light", value); this.#light(value); });
    choices($("choose-sound"), SOUNDS, "off", (value) => sound.setMode(value));
    choices($("choose-voice"), ON_OFF, "off", (value) => voice.setOn(value === "on"));
    choices($("choose-awake"), [["keep awake", "on"], ["let it sleep", "off"]], recall("awake") ?? "on",
      (value) => { keep("awake", value); awake.setWanted(value === "on"); });
    this.awake = awake;
  }

  /** Take up what was chosen the last time. */
  begin() {
    this.#light(lastLight());
    this.awake.setWanted((recall("awake") ?? "on") === "on");
  }

  show(view) {
    for (const button of document.querySelectorAll(".sheet .close")) if (!button.closest(".sheet").hidden) button.click();
    const one = view.startsWith("one-");
    this.bolt = one ? view.slice(4) : null;
    this.view = one ? "bolts" : view;
    for (const section of document.querySelectorAll("main > section[id^=view-]")) section.hidden = section.id !== `view-${this.view}`;
    document.body.classList.toggle("one", one);
    for (const bolt of ["altitude", "azimuth"]) document.body.classList.toggle(`one-${bolt}`, this.bolt === bolt);
    $("main").scrollTop = 0;
    $("main").focus();
    this.onView(this.view);
  }

  #light(value) {
    setLight(value);
    this.redraw();
  }
}
