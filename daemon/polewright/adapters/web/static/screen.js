// This screen: what is looked at, how bright, what sounds.  Choices stay in this browser.

import { choices } from "./draw.js";

const $ = (id) => document.getElementById(id);
const LIGHTS = [["bright red", "255"], ["red", "208"], ["dim red", "140"], ["faint red", "84"], ["day", "day"]];
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
    choices($("choose-light"), LIGHTS, recall("light") ?? "255", (value) => { keep("light", value); this.#light(value); });
    choices($("choose-sound"), SOUNDS, "off", (value) => sound.setMode(value));
    choices($("choose-voice"), ON_OFF, "off", (value) => voice.setOn(value === "on"));
    choices($("choose-awake"), [["keep awake", "on"], ["let it sleep", "off"]], recall("awake") ?? "on",
      (value) => { keep("awake", value); awake.setWanted(value === "on"); });
    this.awake = awake;
  }

  /** Take up what was chosen the last time. */
  begin() {
    this.#light(recall("light") ?? "255");
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
    const root = document.documentElement;
    const day = value === "day";
    root.classList.toggle("day", day);
    root.classList.toggle("night", !day);
    if (day) for (const name of ["--ink", "--line"]) root.style.removeProperty(name);
    else {
      root.style.setProperty("--ink", `rgb(${value} 0 0)`);
      root.style.setProperty("--line", `rgb(${Math.round(value * 0.82)} 0 0)`);
    }
    document.querySelector('meta[name="theme-color"]').content = day ? "#faf7ef" : "#000000";
    document.querySelector('meta[name="color-scheme"]').content = day ? "light" : "dark";
    this.redraw();
  }
}

function keep(key, value) {
  try { localStorage.setItem(`polewright-${key}`, value); } catch { /* private mode: for this time only */ }
}

function recall(key) {
  try { return localStorage.getItem(`polewright-${key}`); } catch { return null; }
}
