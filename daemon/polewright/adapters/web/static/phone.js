// The phone as a sensor: asks for leave, streams its orientation events, shows what arrived.

import { choices, put, svg } from "./draw.js";

const $ = (id) => document.getElementById(id);
const SEND_MS = 250;
const CLOSEST_MS = 40;
const MOST_EVENTS = 16;
const NOTHING_AFTER_MS = 3000;
const OLD_MS = 2500;
const HOLDS = [["screen to the pole", "square"], ["top edge to the pole", "along"]];
const HOLD_WORDS = {
  square: "Square to the axis: the back lies flat against the end of the axis, the screen looks where the axis points, toward the elevated pole.",
  along: "Along the axis: the phone lies on the axis, its top edge toward the elevated pole.",
};

export class PhoneSensor {
  constructor(link) {
    this.link = link;
    this.hold = "square";
    this.running = false;
    this.begins = true;
    this.events = [];
    this.lastMs = -Infinity;
    this.absoluteMs = -Infinity;
    this.gravity = null;
    this.told = null;
    this.toldMs = -Infinity;
    choices($("phone-hold"), HOLDS, this.hold, (hold) => { this.hold = hold; put($("phone-hold-words"), HOLD_WORDS[hold]); });
    put($("phone-hold-words"), HOLD_WORDS[this.hold]);
    this.#drawing();
    $("phone-run").addEventListener("click", () => { if (this.running) this.#end("Ended."); else this.#begin(); });
    document.addEventListener("visibilitychange", () => { if (document.hidden && this.running) this.#end("Ended, since the page was hidden. Tap to begin again."); });
    addEventListener("pagehide", () => { if (this.running) this.#end("Ended."); });
    $("phone-adjust").addEventListener("click", () => this.ask("adjust", { by: "sensor" }));
    $("phone-sun").addEventListener("click", () => this.ask("sensor_on_sun", { side: "top" }));
    this.onOrientation = (event) => this.#orientation(event);
    this.onMotion = (event) => { const g = event.accelerationIncludingGravity; this.gravity = g && [g.x, g.y, g.z].every(Number.isFinite) ? [g.x, g.y, g.z] : null; };
    this.draw();
  }

  /** What the service made of it: shown, so that what is seen here has been through everything. */
  take(message) {
    this.told = message;
    this.toldMs = performance.now();
    this.draw();
  }

  /** The service's answer where it does not want the stream. */
  refused({ state }) {
    if (!this.running) return;
    this.#end(state === "onlooker" ? "This link may look, and not stream." : "Ended: another phone streams now.", { tell: false });
  }

  linked({ open, role }) {
    this.begins = true;
    this.may = role === "command";
    if (open && !this.may && this.running) this.#end("This link may look, and not stream.", { tell: false });
    this.draw();
  }

  async #begin() {
    if (!window.isSecureContext) {
      this.#say("Browsers give a page the phone's sensors over https only. On the service's computer, polewright page --make-certificate makes that possible.");
      return;
    }
    if (!("DeviceOrientationEvent" in window)) { this.#say("This browser has no orientation events."); return; }
    const askable = [window.DeviceOrientationEvent, window.DeviceMotionEvent].filter((one) => typeof one?.requestPermission === "function");
    // Both at once, and at once: a browser asks only within the tap.
    const asked = askable.map((one) => one.requestPermission());
    if (asked.length) this.#say("The browser asks whether this page may use the sensors.");
    try {
      const answers = await Promise.all(asked);
      if (answers.some((answer) => answer !== "granted")) throw new Error("refused");
    } catch {
      this.#say("Refused: the browser gives this page no sensor. Close the page, open it anew and tap again; or allow motion and orientation for this page in the browser's settings.");
      return;
    }
    this.running = true;
    this.begins = true;
    this.events = [];
    this.sinceMs = performance.now();
    addEventListener("deviceorientationabsolute", this.onOrientation);
    addEventListener("deviceorientation", this.onOrientation);
    addEventListener("devicemotion", this.onMotion);
    this.timer = setInterval(() => this.#send(), SEND_MS);
    this.#say("Lay the phone where it is to stay, take the hand off, and wait until it is still.");
  }

  #end(words, { tell = true } = {}) {
    this.running = false;
    clearInterval(this.timer);
    removeEventListener("deviceorientationabsolute", this.onOrientation);
    removeEventListener("deviceorientation", this.onOrientation);
    removeEventListener("devicemotion", this.onMotion);
    this.events = [];
    this.gravity = null;
    if (tell) this.link.send({ sensor: null });
    this.#say(words);
  }

  #orientation(event) {
    const { alpha, beta, gamma } = event;
    if (!Number.isFinite(beta) || !Number.isFinite(gamma)) return; // a computer without sensors sends one such
    const absolute = event.type === "deviceorientationabsolute" || event.absolute === true;
    if (absolute) this.absoluteMs = event.timeStamp;
    else if (event.timeStamp - this.absoluteMs < 1000) return; // the same, without north
    if (event.timeStamp - this.lastMs < CLOSEST_MS) return;
    this.lastMs = event.timeStamp;
    const one = { t: event.timeStamp, beta, gamma, absolute };
    if (Number.isFinite(alpha)) one.alpha = alpha;
    // Beside the standard: one maker's browser tells the compass by these, and -1 where it is lost.
    if (Number.isFinite(event.webkitCompassHeading) && event.webkitCompassAccuracy >= 0) {
      one.heading = event.webkitCompassHeading;
      one.accuracy = Math.min(event.webkitCompassAccuracy, 180);
    }
    if (this.gravity) one.gravity = this.gravity;
    this.events.push(one);
    if (this.events.length > MOST_EVENTS) this.events.shift();
  }

  #send() {
    const now = performance.now();
    if (!this.events.length) {
      if (now - Math.max(this.lastMs, this.sinceMs) > NOTHING_AFTER_MS) this.#say("No event comes: this device has no such sensor, or its browser keeps it back.");
      this.draw();
      return;
    }
    const sent = this.link.send({ sensor: { hold: this.hold, begins: this.begins, events: this.events } });
    if (sent) this.begins = false;
    this.events = [];
    this.draw();
  }

  #say(words) {
    $("phone-words").textContent = words;
    this.draw();
  }

  draw() {
    const old = performance.now() - this.toldMs > OLD_MS;
    const told = this.told?.streaming && !old ? this.told : null;
    put($("phone-run"), this.running ? "End the stream" : "Begin the stream");
    $("phone-run").disabled = !this.running && !(this.may && this.link.open);
    $("phone-adjust").disabled = !told || !(this.may && this.link.open);
    $("phone-sun").disabled = $("phone-adjust").disabled || !told.still || told.sensor_magnetic_azimuth_deg === null;
    put($("phone-state"), !this.running && !told ? "Not streaming" : !this.link.open ? "No connection" : !told ? "Waiting" : told.still ? "Still" : "Moving");
    const plusMinus = (value, sigma) => `${value.toFixed(1)} ± ${sigma.toFixed(1)} deg`;
    put($("phone-altitude"), told ? plusMinus(told.sensor_altitude_deg, told.sensor_altitude_sigma_deg) : "--");
    put($("phone-azimuth"), !told ? "--" : told.sensor_magnetic_azimuth_deg === null ? "not known: no compass" : plusMinus(told.sensor_magnetic_azimuth_deg, told.sensor_magnetic_azimuth_sigma_deg));
    put($("phone-rate"), told ? `${told.rate_hz.toFixed(0)} a second` : "--");
    put($("phone-compass"), !told || told.sensor_magnetic_azimuth_deg === null ? "--" : told.compass_accuracy_deg === null ? "it does not say how good" : `good to ${told.compass_accuracy_deg.toFixed(0)} deg, it says`);
    this.#plumb(told?.up ?? null);
  }

  /** The phone seen from the front, and a plumb line from its middle. */
  #drawing() {
    this.turning = svg("g", {});
    this.string = svg("line", { class: "d-ink", x1: 0, y1: 0, x2: 0, y2: 0 });
    this.bob = svg("path", { class: "d-nut d-nut-full", d: "M-11 -8H11L0 26Z" });
    this.turning.append(
      svg("rect", { class: "d-body", x: -44, y: -84, width: 88, height: 168, rx: 12 }),
      svg("line", { class: "d-line", x1: -14, y1: -74, x2: 14, y2: -74 }),
      svg("rect", { class: "d-fill", x: -4, y: -4, width: 8, height: 8 }),
      this.string, this.bob);
    $("phone-plumb").append(svg("svg", { viewBox: "-70 -90 140 180", "aria-hidden": "true" }, this.turning));
  }

  #plumb(up) {
    const angle = screen.orientation?.angle ?? 0;
    this.turning.setAttribute("transform", `rotate(${-angle})`);
    for (const part of [this.string, this.bob]) part.style.visibility = up ? "visible" : "hidden";
    if (!up) { put($("phone-down"), ""); return; }
    const [x, y] = [-up[0], up[1]].map((part) => part * 72);
    this.string.setAttribute("x2", x.toFixed(1));
    this.string.setAttribute("y2", y.toFixed(1));
    const along = Math.hypot(x, y);
    const turn = along > 4 ? (Math.atan2(y, x) * 180) / Math.PI - 90 : -0;
    this.bob.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)}) rotate(${turn.toFixed(1)})`);
    put($("phone-down"), `Down is toward ${sides(up)}.`);
  }
}

/** Which side of the phone is down, most of it first. */
function sides([x, y, z]) {
  const parts = [[x, "its left edge", "its right edge"], [y, "its bottom edge", "its top edge"], [z, "its back", "its screen"]]
    .sort((one, other) => Math.abs(other[0]) - Math.abs(one[0]))
    .map(([size, positive, negative]) => [Math.abs(size), size > 0 ? positive : negative]);
  return parts[1][0] > 0.2 ? `${parts[0][1]} and ${parts[1][1]}` : parts[0][1];
}
