// Commands, each with what a person must be asked before.  Sheets cover everything but the bar:
// stop stays in reach.

import { More } from "./more.js";
import { TurnReport } from "./turned.js";
import { VERDICTS, gotoWords, sentence } from "./words.js";

const $ = (id) => document.getElementById(id);
const SAID_MS = 6000;
// A stop that is not answered by then may not have arrived.
const STOP_ANSWERED_MS = 8000;
const SEE_TO_IT = "Use the mount's own stop or its power switch now, if it moves.";
// What may still move: told large, until somebody says to have seen it.
const MAY_MOVE = new Set(["not_stopped", "lost_in_motion", "tracking_not_stopped"]);
const NAMES = { survey: "Survey", adjust: "Adjustment", stop: "Stop", confirm_clear: "Word that it is clear", turned: "Turn", sensor_on_sun: "Sun", confirm_solar_filter: "Word about the solar filter",
  sight: "Sight", drift: "Drift check", keep_watch: "Watch", verify: "Verification", align_stars: "Star alignment", note_placement: "Placement", set_plan: "Plan" };
// A plain survey: what moves, and how.
const SURVEY_WAY = "It turns in right ascension";

export class Sheets {
  constructor({ command, evening, link }) {
    this.command = command;
    this.evening = evening;
    this.link = link;
    this.pending = new Map();
    this.alarmed = null;
    this.turn = new TurnReport((bolt, turns) => { this.close(); this.#send("turned", { bolt, turns }); });
    $("open-do").addEventListener("click", () => this.#toggle("sheet-do"));
    $("open-view").addEventListener("click", () => this.#toggle("sheet-view"));
    for (const button of document.querySelectorAll(".sheet .close")) button.addEventListener("click", () => this.close());
    addEventListener("keydown", (event) => { if (event.key === "Escape") this.close(); });
    $("do-survey").addEventListener("click", () => this.act("survey"));
    $("do-adjust").addEventListener("click", () => this.act("adjust"));
    $("do-turned").addEventListener("click", () => this.act("turned"));
    $("do-hand").addEventListener("click", () => this.open("sheet-hand"));
    $("do-motors").addEventListener("click", () => this.open("sheet-motors"));
    $("do-filter").addEventListener("click", () => this.open("sheet-filter"));
    this.moving = ["survey"];
    $("clear-yes").addEventListener("click", () => this.#clear(this.moving));
    this.more = new More(this, evening);
    $("hand-yes").addEventListener("click", () => { this.close(); this.#send("survey", { by_hand: true }); });
    $("motors-yes").addEventListener("click", () => this.#clear(["adjust", { motors: true }]));
    $("filter-on").addEventListener("click", () => this.#filter(true));
    $("filter-off").addEventListener("click", () => this.#filter(false));
    $("alarm-seen").addEventListener("click", () => this.#calm());
  }

  allow(commands) { this.may = commands; }

  draw(now) {
    const { resting } = now;
    const can = this.may && this.link.open;
    const { motors, devices } = this.evening;
    $("do-survey").disabled = $("do-hand").disabled = !can || !resting;
    $("do-adjust").disabled = $("do-motors").disabled = !can || !resting || !this.evening.survey;
    $("do-turned").disabled = !can || now.state !== "adjusting";
    $("do-filter").disabled = !can;
    $("do-motors").hidden = !motors;
    $("do-filter").hidden = !devices.camera;
    if (motors) $("motors-name").textContent = motors;
    if (devices.camera) $("filter-camera").textContent = devices.camera;
    // What a person was asked about must still be there when the answer comes.
    $("motors-yes").disabled = !motors;
    $("filter-on").disabled = $("filter-off").disabled = !devices.camera;
    this.more.draw(now, can);
    const why = !this.link.open ? "No connection: nothing can be sent."
      : !this.may ? "This link may look, and not command."
        : !resting ? "Stop first, to begin something else." : this.evening.survey ? "" : "An adjustment needs a survey first.";
    if ($("do-words").textContent !== why) $("do-words").textContent = why;
  }

  act(what) {
    if (what === "stop") { this.close(); this.#send("stop"); }
    else if (what === "survey") this.clearFor("survey");
    else if (what === "adjust") { this.close(); this.#send("adjust", { motors: false }); }
    else { this.turn.begin(); this.open("sheet-turned"); }
  }

  /** Ask whether the mount is clear to move before this command; `before`: what to say of it first. */
  clearFor(verb, args, { before = "", way = SURVEY_WAY } = {}) {
    this.moving = args ? [verb, args] : [verb];
    $("clear-before").textContent = before;
    $("clear-before").hidden = !before;
    $("clear-way").textContent = way;
    this.open("sheet-clear");
  }

  /** Send what another view asks for, and tell the answer as ever. */
  ask(verb, args) {
    this.close();
    this.#send(verb, args);
  }

  close() {
    for (const sheet of document.querySelectorAll(".sheet")) sheet.hidden = true;
    document.body.classList.remove("sheeted");
    for (const opener of ["open-do", "open-view"]) $(opener).setAttribute("aria-expanded", "false");
    this.opener?.focus();
    this.opener = null;
  }

  /** Show what the service answers to one's own commands. */
  answered(reply) {
    const { verb, args = {}, then } = this.pending.get(reply.id) ?? {};
    const name = NAMES[verb] ?? "Command";
    if (reply.status === "accepted") this.#say(accepted(verb, args) ?? `${name} accepted.`);
    else if (reply.status === "failed") this.#failed(reply, verb, name);
    else if (reply.status === "done") {
      this.pending.delete(reply.id);
      const result = reply.result ?? {};
      this.#say(done(verb, result) ?? `${name} done.`, { keep: TO_BE_READ.has(verb) });
      if (verb === "stop" && this.alarmed === reply.id) this.#calm();
      if (then) this.#send(...then);
    }
  }

  #failed({ id, error }, verb, name) {
    this.pending.delete(id);
    if (MAY_MOVE.has(error.code) || (verb === "stop" && error.code !== "onlooker")) this.alarm(error, id);
    else this.#say(`${name}: ${error.text}. ${error.remedy}`, { keep: error.code !== "stopped" });
  }

  /** What waits for an answer over a connection that broke gets none, and nothing follows it. */
  lost() {
    for (const [id, { verb }] of this.pending) if (verb !== "stop") this.pending.delete(id);
  }

  /** Take an event that says that something may still move; false where it does not. */
  warned(event) {
    if (!MAY_MOVE.has(event.code)) return false;
    this.alarm(event, null);
    return true;
  }

  /** Tell what may hurt somebody, until it is said to be seen; `id`: of the stop that may end it. */
  alarm({ text, remedy }, id) {
    this.alarmed = id;
    const words = `${text[0].toUpperCase()}${text.slice(1)}.`;
    $("said").textContent = "";
    $("alarm").hidden = false;
    if ($("alarm-text").textContent !== words) $("alarm-text").textContent = words;
    $("alarm-remedy").textContent = remedy ?? "";
  }

  #calm() {
    this.alarmed = null;
    $("alarm").hidden = true;
    $("alarm-text").textContent = $("alarm-remedy").textContent = "";
  }

  #say(words, { keep = false } = {}) {
    clearTimeout(this.forgetting);
    $("said").textContent = words;
    // What needs no answer makes room again.
    if (!keep) this.forgetting = setTimeout(() => { if ($("said").textContent === words) $("said").textContent = ""; }, SAID_MS);
  }

  #send(verb, args, then) {
    const { id, sent } = this.command(verb, args);
    if (verb === "stop") setTimeout(() => this.#unanswered(id), STOP_ANSWERED_MS);
    if (sent || verb === "stop") this.pending.set(id, { verb, args, then });
    if (sent) this.#say(`${NAMES[verb]} sent.`);
  }

  #unanswered(id) {
    if (!this.pending.has(id)) return;
    this.alarm({ text: "The stop is not confirmed: it may not have reached the mount", remedy: SEE_TO_IT }, id);
  }

  /** Give the word that it is clear; what moves follows when that has arrived. */
  #clear(then) {
    this.close();
    this.#send("confirm_clear", {}, then);
  }

  #filter(fitted) {
    this.close();
    this.#send("confirm_solar_filter", { camera: this.evening.devices.camera, fitted });
  }

  #toggle(id) {
    if (!$(id).hidden) { this.close(); return; }
    // Whoever goes on has read the last answer.
    if (this.link.open) this.#say("");
    this.open(id);
  }

  /** Show one sheet in the place of what is shown. */
  open(id) {
    const opener = this.opener ?? document.activeElement;
    for (const sheet of document.querySelectorAll(".sheet")) sheet.hidden = sheet.id !== id;
    document.body.classList.add("sheeted");
    $("open-do").setAttribute("aria-expanded", String(id !== "sheet-view"));
    $("open-view").setAttribute("aria-expanded", String(id === "sheet-view"));
    this.opener = opener;
    $(id).querySelector("h2").focus();
    $("main").scrollTop = 0;
  }
}

// Answers with something to read in peace: they stay until the next one.
const TO_BE_READ = new Set(["sight", "drift", "verify", "align_stars", "note_placement", "set_plan"]);

function accepted(verb, args) {
  if (verb === "survey") return args.by_hand ? "Survey by hand accepted: turn when the words say so." : "Survey accepted: the mount moves.";
  if (verb === "survey" && args.at_dusk) return "Survey accepted: it waits for the first stars, then the mount moves.";
  if (verb === "sight") return "Sight accepted: the mount moves. Never look at the Sun.";
  if (verb === "align_stars") return "Star alignment accepted: the mount moves far.";
  if (verb === "drift") return "Drift check accepted: hands off.";
  if (verb === "adjust" && args.motors) return "Adjustment accepted: the mount head moves.";
  return null;
}

function done(verb, result) {
  if (verb === "stop") return result.stopped ? "Stopped." : "Nothing was running; the mount was told to stop.";
  if (verb === "survey") return "Survey done.";
  if (verb === "adjust") return "Adjustment ended.";
  if (verb === "confirm_solar_filter") return result.fitted
    ? `The Sun's cone is lifted for ${result.camera}, on your word alone. Cap the tube before the filter comes off.`
    : "The Sun's cone holds again.";
  if (verb === "sensor_on_sun") return `The compass was off by ${Math.abs(result.compass_was_off_deg).toFixed(0)} deg; it is set by the Sun now, for an hour. The less the sensor is turned until it is on the axis, the better that holds.`;
  if (verb === "sight" || verb === "drift") return `${VERDICTS[result.verdict] ?? "Done"}.${result.advice ? ` Next: ${result.advice}.` : ""}`;
  if (verb === "verify") return `${sentence(result.words) || "Done."}${result.remedy ? ` ${result.remedy}` : ""}`;
  if (verb === "align_stars") return gotoWords(result);
  if (verb === "note_placement") return sentence(result.text) || "Done.";
  if (verb === "set_plan") return `${sentence(result.words) || "Done."}${result.kept === false ? ` A restart forgets this plan: ${result.not_kept}.` : ""}`;
  if (verb === "keep_watch" && "stopped" in result) return result.stopped ? "The watch is ended; the mount is left alone." : "No watch was kept.";
  if (verb === "keep_watch") return result.alarms ? `The watch has ended: the axis moved, ${result.alarms} alarms.` : "The watch has ended: the axis stayed where it was.";
  if (verb === "turned") return "Turn noted: from now on the words tell turns of that knob, once it is known well enough.";
  return null;
}
