// Behind the one door: what is done by day, at dusk, before and while imaging; each with its form.

import { choices, html, put } from "./draw.js";
import { angleText, gotoWords } from "./words.js";

const $ = (id) => document.getElementById(id);
const BODIES = [["best now", null], ["Sun", "sun"], ["Moon", "moon"], ["Venus", "venus"], ["Jupiter", "jupiter"]];
const DEPTHS = [["look, survey if in doubt", "auto"], ["look only", "quick"], ["survey", "full"]];
const DEPTH_WORDS = {
  auto: "One to three pictures, without a turn. Only where they cannot tell, and the mount may move, it surveys.",
  quick: "One to three pictures; the mount is not sent anywhere.",
  full: "A whole survey: the mount moves.",
};
const SYNCS = [["as the settings say", null], ["at each field", "each"], ["once, at the end", "once"], ["never", "never"]];
const SYNC_WORDS = {
  each: "The mount is told where it points at each field: for mounts that make a model of their own.",
  once: "The mount is told once where it points.",
  never: "The mount is told nothing; whoever sends it goes through the model that is published.",
};
const SUN_WORDS = "The Sun is sighted only behind a solar filter in front of the objective, and only after you have said that it is on.";
const OTHERS_WORDS = "The filter is off for the Moon and planets: cap the tube first, then say so. The telescope keeps clear of the Sun by calculation alone.";

export class More {
  constructor(sheets, evening) {
    this.sheets = sheets;
    this.evening = evening;
    this.chosen = { body: null, by: "stars", minutes: 20, hours: null, depth: "auto", guided: null, syncs: null };
    const choose = (id, list, key, then = () => {}) => choices($(id), list, this.chosen[key], (value) => { this.chosen[key] = value; then(); });
    choose("sight-body", BODIES, "body", () => this.#sightWords());
    choose("drift-by", [["stars", "stars"], ["Sun, Moon or planet sighted last", "bodies"]], "by", () => { $("drift-by-day").hidden = this.chosen.by !== "bodies"; });
    choose("drift-minutes", [["5", 5], ["10", 10], ["20", 20], ["40", 40]], "minutes");
    choose("keep-hours", [["until I end it", null], ["4 h", 4], ["8 h", 8], ["12 h", 12]], "hours");
    choose("verify-depth", DEPTHS, "depth", () => this.#verifyWords());
    choose("stars-syncs", SYNCS, "syncs", () => this.#syncWords());
    choose("plan-guided", [["yes", true], ["no", false]], "guided");
    this.said = {
      sight: toggles($("sight-said"), [["it is in the picture", "pointed"], ["I turned the bolts as told", "turned"], ["forget earlier sights", "anew"]]),
      stars: toggles($("stars-said"), [["I looked: it is right that it points elsewhere than the mount says", "points_elsewhere"]]),
      placement: toggles($("placement-said"), [["marks drawn just now", "marked"], ["bolts turned since", "bolts_turned"]]),
      plan: toggles($("plan-night"), [["all night", "night"]]),
    };
    for (const button of document.querySelectorAll("[data-more]")) button.addEventListener("click", () => this.#open(button.dataset.more));
    $("do-more").addEventListener("click", () => sheets.open("sheet-more"));
    $("sight-filter").addEventListener("click", () => sheets.open("sheet-filter"));
    $("more-dusk").addEventListener("click", () => sheets.clearFor("survey", { at_dusk: true }, {
      before: "It waits for the first stars, perhaps for hours, and then the mount moves by itself. Tell everybody who comes by; take a solar filter off before, cap first.",
      way: "Then it turns in right ascension",
    }));
    $("sight-go").addEventListener("click", () => sheets.clearFor("sight", this.#sight(), {
      before: "Never look at the Sun through any tube. Every other tube and finder is capped.", way: "It goes to what you chose, about both axes",
    }));
    $("drift-go").addEventListener("click", () => sheets.ask("drift", { by: this.chosen.by, minutes: this.chosen.minutes }));
    $("keep-go").addEventListener("click", () => sheets.ask("keep_watch", this.chosen.hours ? { hours: this.chosen.hours } : {}));
    $("keep-end").addEventListener("click", () => sheets.ask("keep_watch", { end: true }));
    $("verify-go").addEventListener("click", () => this.#verify());
    $("stars-go").addEventListener("click", () => sheets.clearFor("align_stars", { ...(this.chosen.syncs ? { syncs: this.chosen.syncs } : {}), ...this.said.stars.given() }, {
      before: "It goes far, to one field after the other, and may change sides of the pier: cables, feet and fingers out of the way, all the way round.", way: "It goes about both axes",
    }));
    $("plan-clear").addEventListener("click", () => sheets.ask("set_plan", { clear: true }));
    submitted("placement-form", () => sheets.ask("note_placement", { name: $("placement-name").value.trim(), ...this.said.placement.given() }));
    submitted("plan-form", () => this.#plan());
    this.#sightWords();
    this.#syncWords();
    this.#verifyWords();
  }

  /** Allow what can be begun now. */
  draw(now, can) {
    const watching = now.state === "watching";
    const free = can && now.resting && !watching;
    for (const id of ["more-dusk", "sight-go", "drift-go", "verify-go", "stars-go"]) $(id).disabled = !can || !now.resting;
    $("keep-go").disabled = !free;
    $("keep-go").hidden = $("keep-hours").hidden = watching;
    $("keep-end").hidden = !watching;
    $("keep-end").disabled = $("plan-clear").disabled = !can;
    for (const id of ["placement-form", "plan-form"]) $(id).querySelector("[type=submit]").disabled = !can;
    $("sight-filter").disabled = !can || !this.evening.devices.camera;
    put($("more-words"), !can || now.resting ? "" : "Stop first, to begin something else.");
    put($("keep-told"), this.evening.watchWords());
    put($("stars-told"), this.evening.pointing ? `Last: ${gotoWords(this.evening.pointing)}` : "");
    put($("verify-told"), this.#verifiedWords());
    put($("plan-told"), this.#planWords());
  }

  #open(what) {
    // What a person has looked at once is not so for ever.
    if (what === "sight" || what === "stars") this.said[what].clear();
    this.sheets.open(`sheet-${what}`);
  }

  #sight() {
    return { ...(this.chosen.body ? { body: this.chosen.body } : {}), ...this.said.sight.given() };
  }

  #sightWords() {
    const { body } = this.chosen;
    put($("sight-filter-words"), body === "sun" ? SUN_WORDS : body ? OTHERS_WORDS : `${SUN_WORDS} ${OTHERS_WORDS}`);
  }

  #syncWords() {
    put($("stars-words"), SYNC_WORDS[this.chosen.syncs] ?? "Whether the mount is told where it points: [star_alignment] syncs.");
  }

  #verify() {
    const args = { depth: this.chosen.depth };
    if (args.depth === "quick") this.sheets.ask("verify", args);
    else this.sheets.clearFor("verify", args, { way: args.depth === "full" ? "It turns in right ascension" : "It may turn in right ascension" });
  }

  #verifyWords() {
    put($("verify-words"), DEPTH_WORDS[this.chosen.depth]);
    put($("verify-go"), this.chosen.depth === "quick" ? "Look" : this.chosen.depth === "full" ? "Verify: the mount moves" : "Verify: the mount may move");
  }

  #verifiedWords() {
    const { last, next, waiting } = this.evening.schedule ?? {};
    const parts = [];
    if (last) parts.push(`Last at ${clock(last.verified)}: ${last.words}.${last.remedy ? ` ${last.remedy}` : ""}`);
    if (next) parts.push(`Next by itself at ${clock(next.due)}.`);
    if (waiting) parts.push(`It waits: ${waiting}.`);
    return parts.join(" ") || "Is the axis still good enough, and where it was?";
  }

  #planWords() {
    const plan = this.evening.schedule?.plan;
    if (!plan) return "No plan is set.";
    const parts = [`${plan.source === "command" ? "Set" : "From the settings"}: ${plan.words}.`];
    if (plan.tolerance_arcmin) parts.push(`The axis may be off by ${angleText(plan.tolerance_arcmin)}.`);
    if (plan.verify_at) parts.push(`Verify at ${clock(plan.verify_at)}.`);
    for (const warning of plan.warnings) parts.push(`${warning.text}. ${warning.remedy}`);
    return parts.join(" ");
  }

  #plan() {
    const lines = (id, by) => $(id).value.split(by).map((one) => one.trim()).filter(Boolean);
    const args = {};
    const targets = lines("plan-targets", "\n");
    const optics = lines("plan-optics", ",");
    if (targets.length) args.targets = targets;
    if (optics.length) args.optics = optics;
    for (const [id, name] of [["plan-focal", "focal_length_mm"], ["plan-pixel", "pixel_size_um"], ["plan-exposure", "exposure_s"]]) {
      if ($(id).value !== "") args[name] = Number($(id).value);
    }
    if (this.chosen.guided !== null) args.guided = this.chosen.guided;
    for (const [id, name] of [["plan-start", "window_start"], ["plan-end", "window_end"]]) if ($(id).value.trim()) args[name] = $(id).value.trim();
    Object.assign(args, this.said.plan.given());
    this.sheets.ask("set_plan", args);
  }
}

/** Buttons of which any may hold; `given()` returns those that do, `clear()` lets go of all. */
function toggles(holder, list) {
  const held = new Set();
  const buttons = list.map(([words, name]) => {
    const button = html("button", { type: "button", "aria-pressed": "false" }, words);
    button.addEventListener("click", () => {
      if (!held.delete(name)) held.add(name);
      button.setAttribute("aria-pressed", String(held.has(name)));
    });
    return button;
  });
  holder.append(...buttons);
  return {
    given: () => Object.fromEntries([...held].map((name) => [name, true])),
    clear: () => { held.clear(); for (const button of buttons) button.setAttribute("aria-pressed", "false"); },
  };
}

function submitted(id, then) {
  $(id).addEventListener("submit", (event) => { event.preventDefault(); then(); });
}

function clock(text) {
  const at = new Date(text);
  return `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
}
