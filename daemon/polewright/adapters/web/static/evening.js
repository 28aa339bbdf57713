// What is known of the evening, and what of it holds now.

import { nowS } from "./elapsed.js";
import { STATES, VERDICTS, age, angleText, readFacts, readKnob, readWords, sentence } from "./words.js";

// Topics of which the last message is all that is kept.
const PLAIN = ["state", "health", "watch", "schedule", "pointing"];
const BOLTS = ["altitude", "azimuth"];
// Phases in which nothing moves and nothing is measured.
const RESTING = new Set(["idle", "blocked", "watching"]);
const VALID_S = 6;
const MOST_POINTS = 4000;
// A bolt moved when its figure changed by more than so many sigmas.
const MOVED_SIGMAS = 3;
// What ended work is told at once; a result that is older than the rest by this much is not of it.
const OF_THIS_WORK_S = 20;
// After so long hands, wind and warmth have had their turn: a result is called earlier.
const CURRENT_S = 900;

export class Evening {
  constructor() {
    this.state = null;
    this.survey = null;
    this.surveyAt = null;
    this.health = null;
    this.watch = null;
    this.schedule = null;
    this.pointing = null;
    this.correction = null;
    this.correctionAt = null;
    this.intervalS = 0;
    this.points = [];
    this.turning = null;
    this.known = false;
    this.lostOnce = false;
  }

  /** Begin with what the service remembers. */
  begin(welcome) {
    this.known = true;
    // A service that was started anew knows less of the evening than this page does.
    if (welcome.history.length || !this.points.length) this.points = joined(this.points, welcome.history);
    for (const topic of [...PLAIN, "survey", "correction"]) if (!welcome.messages[topic]) this[topic] = null;
  }

  /** The devices that are in use, by their names. */
  get devices() { return this.health?.indi ?? {}; }

  /** The adjuster whose motors may turn the bolts, or null. */
  get motors() { return this.health?.page.offers_motors ? this.devices.adjuster ?? null : null; }

  take(topic, payload, ageS) {
    if (PLAIN.includes(topic)) this[topic] = payload;
    if (topic === "survey") {
      this.survey = payload;
      this.surveyAt = nowS() - ageS;
      if (ageS === 0 && !isEarlier(payload)) this.#point("survey", payload);
    }
    if (topic === "correction") this.#correct(payload, ageS);
  }

  #correct(payload, ageS) {
    const at = nowS() - ageS - (payload.frame_age_s ?? 0);
    if (this.correction && payload.live) {
      if (this.correctionAt !== null && payload.sequence > this.correction.sequence) this.intervalS = at - this.correctionAt;
      this.#whichTurns(this.correction, payload);
    }
    this.correction = payload;
    this.correctionAt = at;
    if (ageS === 0 && payload.live) this.#point("correction", payload);
  }

  #whichTurns(before, after) {
    const moved = (bolt) => Math.abs(after[`${bolt}_error_arcmin`] - before[`${bolt}_error_arcmin`]) / Math.max(after[`${bolt}_error_sigma_arcmin`], 0.01);
    const [altitude, azimuth] = [moved("altitude"), moved("azimuth")];
    if (Math.max(altitude, azimuth) > MOVED_SIGMAS) this.turning = altitude > azimuth ? "altitude" : "azimuth";
  }

  #point(kind, payload) {
    if (payload.total_error_arcmin === null) return;
    this.points.push({
      at_ms: Date.parse(payload.at), kind, total_arcmin: payload.total_error_arcmin,
      sigma_arcmin: payload.total_error_sigma_arcmin, tolerance_arcmin: this.#tolerance(payload),
    });
    if (this.points.length > MOST_POINTS) this.points.splice(0, this.points.length - MOST_POINTS);
  }

  #tolerance(payload) { return payload?.tolerance_arcmin ?? this.survey?.tolerance_arcmin ?? null; }

  /** Everything that the page shows of this moment. */
  now(link) {
    const state = this.state?.state ?? null;
    const correction = this.correction;
    const ageS = correction ? nowS() - this.correctionAt : null;
    const validS = correction?.valid_s ?? Math.max(VALID_S, 2.5 * this.intervalS);
    const live = Boolean(link.open && correction?.live && ageS <= validS && state === "adjusting");
    const old = Boolean(correction && !live && state === "adjusting");
    const shown = {
      live, old, ageS, state,
      verdict: live ? correction.verdict : null,
      freshness: freshness({ link, live, old, ageS, known: this.known, state }),
      resting: state === null || RESTING.has(state),
      progress: state !== "adjusting" ? this.state?.percent ?? null : null,
      trouble: this.#trouble(),
      byMotors: state === "adjusting" && !this.state.reason && Boolean(this.state.step) && !this.state.step.startsWith(BY_HANDS) && (this.correction?.method ?? "stars") === "stars",
      sure: "", news: "", enter: false, next: null, doing: "", headline: "", turning: this.turning ?? "altitude",
    };
    const past = live || old ? null : this.#past(link);
    this.#bolts(shown, past);
    if (!this.turning && shown.altitude.amountArcmin !== null) {
      shown.turning = (shown.azimuth.amountArcmin ?? 0) > shown.altitude.amountArcmin ? "azimuth" : "altitude";
    }
    this.#words(shown, link, past);
    return shown;
  }

  #trouble() {
    if (this.state?.reason) return { reason: this.state.reason, remedy: this.state.remedy ?? "" };
    return this.#alarm();
  }

  /** What says last that the axis moved, where nothing was measured since; else null. */
  #alarm() {
    const measured = this.survey ? Date.parse(this.survey.at) : -Infinity;
    const alarm = this.watch?.alarms.at(-1);
    if (alarm && Date.parse(alarm.noticed) >= measured) {
      return { reason: `The axis moved by ${angleText(alarm.size_arcmin)}: ${alarm.words}.`, remedy: "Look at tripod and bolts, then survey again." };
    }
    const verified = this.schedule?.last;
    // A survey that found a move has measured it: what is left to do is told by its figures.
    if (verified?.moved && verified.depth === "quick" && Date.parse(verified.verified) >= measured) {
      return { reason: sentence(verified.words), remedy: verified.remedy ?? "Look at tripod, cables and clamps, then survey again." };
    }
    return null;
  }

  /** What the watch over imaging has seen so far. */
  watchWords() {
    if (!this.watch) return "";
    const { watching, believed_since: since, frames, unsolved_frames: unsolved, guide_offsets: offsets, alarms } = this.watch;
    const at = new Date(since);
    const clock = `${String(at.getHours()).padStart(2, "0")}:${String(at.getMinutes()).padStart(2, "0")}`;
    const found = alarms.length ? `${alarms.length} alarm${alarms.length > 1 ? "s" : ""}: the axis moved` : "the axis stayed where it was";
    return `${watching ? "Watching" : "The last watch"} since ${clock}: ${found}; ${frames} pictures, ${unsolved} passed over, ${offsets} places of the guide star.`;
  }

  #bolts(shown, past) {
    const correction = this.correction;
    if (shown.live || (shown.old && correction.total_error_arcmin !== null)) {
      for (const bolt of BOLTS) {
        const read = readWords(correction[`${bolt}_words`], correction[`${bolt}_to_go_arcmin`]);
        shown[bolt] = laidOut(read, {
          old: shown.old,
          turns: correction[`${bolt}_turns`],
          marginArcmin: correction[`${bolt}_margin_arcmin`] ?? null,
          roomArcmin: correction[`${bolt}_room_arcmin`] ?? null,
          home: shown.live && correction.verdict === "good_enough",
        });
      }
    } else if (past && (shown.resting || shown.state === "adjusting")) {
      const read = readFacts(past.found, this.survey.axis_azimuth_deg, { current: !past.earlier });
      for (const bolt of BOLTS) {
        shown[bolt] = laidOut(read[bolt], {
          old: false, turns: null,
          marginArcmin: past.found[`${bolt}_margin_arcmin`] ?? null,
          roomArcmin: past.found[`${bolt}_room_arcmin`] ?? null,
          home: past.found.verdict === "good_enough" && !past.earlier,
          past: past.earlier ? "the axis was" : "the axis is",
        });
      }
    } else {
      for (const bolt of BOLTS) shown[bolt] = laidOut({ kind: "none", amountArcmin: null, side: 0 }, { turns: null });
    }
  }

  /** What was found last, and whether something that found nothing came after it; null: nothing. */
  #past(link) {
    if (!this.survey) return null;
    const last = this.correction;
    const adjusted = Boolean(last && last.total_error_arcmin !== null && Date.parse(last.at) >= Date.parse(this.survey.at));
    const found = adjusted ? last : this.survey;
    const at = Date.parse(found.at);
    const beforeStart = !adjusted && isEarlier(found);
    // By this page's clock: the service's may be the sky's, or one that was set in between.
    const ageS = nowS() - (adjusted ? this.correctionAt : this.surveyAt) + (beforeStart ? found.age_s ?? 0 : 0);
    const overtaken = Boolean(this.#alarm()) || (this.state ? (Date.parse(this.state.since) - at) / 1000 > OF_THIS_WORK_S : false);
    return { found, adjusted, beforeStart, ageS, overtaken, earlier: !link.open || beforeStart || overtaken || ageS > CURRENT_S };
  }

  /** Who turns the axis: the mount, or the person, who is told when. */
  #measuring(shown, step) {
    shown.headline = STATES[shown.state] ?? shown.state;
    if (BY_HAND.test(step)) {
      shown.doing = sentence(step.replace(BY_HAND, ""));
      shown.news = shown.doing;
    } else if (AT_DUSK.test(step)) {
      shown.doing = `${sentence(step)} Nothing moves before the first stars; then the mount moves by itself.`;
    } else if (shown.state === "verifying") {
      shown.doing = `Hands off; the mount may move. ${sentence(step)}`;
    } else if (step) {
      shown.news = "The mount moves. Hands off.";
      shown.doing = `The mount moves: hands off. ${sentence(step)}`;
    } else shown.doing = "Hands off until the next words.";
  }

  #words(shown, link, past) {
    const { state, live } = shown;
    const step = this.state?.step ?? "";
    shown.doing = state === "watching" ? this.watchWords() : state ? `${STATES[state] ?? state}${step ? `: ${step}` : ""}` : "";
    if (!link.open) { Object.assign(shown, notConnected(link, this.known)); return; }
    if (state === "blocked") { shown.headline = "Blocked"; shown.doing = ""; shown.news = `Blocked. ${this.state.reason}`; return; }
    if (live) { this.#adjusting(shown, step); return; }
    if (state === "adjusting") {
      shown.headline = "Wait";
      shown.news = "Wait. The figures are old.";
      const why = TURN.test(step) ? "" : ` ${sentence(step)}`;
      shown.doing = (this.correction?.sequence ? "No fresh figures. Do not turn by these." : "The first frame is on its way.") + why;
      return;
    }
    if (!shown.resting) { this.#measuring(shown, step); return; }
    if (past) this.#rested(shown, past);
    else {
      shown.headline = "Not measured";
      shown.next = { act: "survey", words: "Survey the axis: the mount moves" };
    }
    if (state === "watching") { shown.doing = this.watchWords() || shown.doing; shown.next = null; }
    if (this.#alarm()) shown.headline = shown.news = "Axis moved";
  }

  #adjusting(shown, step) {
    const { verdict, total_error_arcmin: total, total_error_sigma_arcmin: sigma } = this.correction;
    const tolerance = this.#tolerance(this.correction);
    shown.headline = shown.byMotors ? "Hands off" : VERDICTS[verdict];
    shown.sure = offBy(total, sigma, tolerance ? `; ${angleText(tolerance)} is allowed in all.` : ".");
    if (shown.byMotors) {
      shown.news = "The motors turn the bolts. Hands off.";
      shown.doing = `The motors turn the bolts. ${sentence(step)}`;
    } else if (verdict === "good_enough") {
      shown.news = "Good enough. Leave the bolts. Tighten the locks gently.";
      shown.doing = "Done. Tighten the locks gently, and watch that the figures stay.";
    } else if (this.correction.method === "sensor") {
      // A sensor gets no surer by waiting: how rough it is goes with every word.
      shown.doing = sentence(step);
      if (BOLTS.every((bolt) => STILL.has(shown[bolt].kind))) shown.news = "Nothing more to turn by the sensor.";
    } else if (BOLTS.every((bolt) => STILL.has(shown[bolt].kind))) {
      shown.news = "Hands off for some frames.";
      shown.doing = "Hands off for some frames: each one makes the figures surer.";
    } else shown.doing = "";
  }

  /** Nothing runs: what was found, and how far it may be believed by now. */
  #rested(shown, { found, adjusted, beforeStart, ageS, overtaken, earlier }) {
    const good = found.verdict === "good_enough";
    const when = found.age_s === null ? "surveyed at a time that the service's clock has not reached" : `${adjusted ? "adjusted" : "surveyed"} ${age(ageS)} ago`;
    shown.headline = earlier ? `Earlier: ${VERDICTS[found.verdict]}` : VERDICTS[found.verdict];
    shown.sure = offBy(found.total_error_arcmin, found.total_error_sigma_arcmin, earlier ? `, ${when}.` : `; ${when}.`, earlier ? "Was off by" : "Off by");
    if (earlier) {
      shown.doing = beforeStart ? "This was measured before the service was started. Survey again to be sure."
        : overtaken ? "Work was begun or broken off since. Survey again to be sure."
          : "That is a while ago. Survey again to be sure.";
      shown.next = { act: "survey", words: "Survey the axis: the mount moves" };
    } else if (adjusted && good) {
      shown.doing = "Done. Are the locks tight? Then one more survey proves it.";
      shown.next = { act: "survey", words: "Survey once more: the mount moves" };
    } else if (good) {
      shown.doing = "Done: leave the bolts. Survey again after anything was touched.";
    } else shown.next = { act: "adjust", words: "Adjust: turn the bolts" };
  }
}

// What the service says while hands, not motors, are at the bolts.
const BY_HANDS = "turn the bolts";
const BY_HAND = /^by hand: /;
// Nobody is to be told both to turn and not to.
const TURN = /^(turn the bolts.*|)$/;
const AT_DUSK = /^(waiting for dusk|no stars yet)/;

// A survey with an age is an earlier run's; null: by a clock that stands before it.
function isEarlier(survey) { return survey.age_s !== undefined; }

function offBy(totalArcmin, sigmaArcmin, tail, lead = "Off by") {
  return `${lead} ${angleText(totalArcmin)} ± ${angleText(2 * sigmaArcmin)}${tail}`;
}

const NEW_LINK = "On the service's computer, run polewright page in a terminal: it shows the link, and its code for a phone's camera.";
const NOBODY_AFTER_MS = 6000;

/** What to say, and to do, while there is no connection. */
function notConnected(link, known) {
  if (link.refused) {
    const why = link.token ? "The token of this link does not hold any more." : "This page was opened without its token.";
    return { headline: "Not let in", doing: `${why} ${NEW_LINK} Open that link, or paste it here.`, news: "Not let in.", enter: true };
  }
  if (link.later) return { headline: "Wait", doing: "Too many wrong tokens came from this address: the service listens again in a minute. It is tried by itself.", news: "" };
  if (known) return { headline: "No connection", doing: "The figures are old. To stop the mount now, use its own stop or its power switch.", news: "No connection." };
  if (performance.now() - link.lostAt < NOBODY_AFTER_MS) return { headline: "Connecting", doing: "", news: "" };
  const trust = link.encrypted ? " Some browsers also need the certificate trusted in their settings." : "";
  return { headline: "No answer", doing: `Nobody answers at ${link.host}. Does the service run, and is this device in its network?${trust} It is tried again by itself.`, news: "" };
}

function freshness({ link, live, old, ageS, known, state }) {
  if (!link.open) return known ? `NO CONNECTION ${age((performance.now() - link.lostAt) / 1000)}` : link.refused ? "not let in" : "connecting";
  if (live) return `live, ${age(ageS)} old`;
  if (old) return `OLD: ${age(ageS)}`;
  return state === "adjusting" ? "no figures yet" : "connected";
}

// Kinds of words by which nothing is to be turned.
const STILL = new Set(["leave", "wait"]);

/** One bolt as its card shows it. */
function laidOut(read, { old = false, home = false, past = "", turns, ...drawn }) {
  const card = { inside: home || read.kind === "leave", lead: "", verb: "", number: "", unit: "", also: "", arrow: null, turns: null, marginArcmin: null, roomArcmin: null, ...read, ...drawn, old, home };
  switch (true) {
    case read.kind === "none": return { ...card, verb: "–" };
    case read.kind === "fact": return { ...card, lead: past };
    case read.kind === "home": return { ...card, lead: "", verb: "leave it", number: "", unit: "", also: `${past} ${read.number} ${read.unit} ${read.verb}: inside` };
    case old && STILL.has(read.kind): return { ...card, lead: "was, a while ago:", verb: "in place" };
    case old: return { ...card, lead: "was, a while ago:" };
    case read.kind === "leave": return { ...card, verb: "leave it", also: read.amountArcmin ? `${angleText(read.amountArcmin)} left: inside` : "" };
    case read.kind === "wait": return { ...card, verb: "wait", also: "not known well enough yet" };
    case read.kind === "words": return { ...card, verb: read.words };
  }
  card.turns = turns;
  const knob = readKnob(read.knob);
  if (knob) {
    // The hand turns the knob: its turn is what must be read from afar.
    card.number = knob.number;
    card.unit = knob.unit;
    card.arrow = { sense: knob.sense };
    card.also = [knob.after, "as you face the knob", `${read.number} ${read.unit} to go`].filter(Boolean).join("; ");
  } else if (read.sense) {
    card.arrow = { sense: read.sense, flat: true };
    card.also = `the head ${read.sense}, seen from above`;
  } else card.also = read.knob ? `knob ${read.knob}` : "";
  return card;
}

/** Points of two tellings of one evening, without those that are in both. */
function joined(mine, told) {
  const first = told[0]?.at_ms ?? Infinity;
  return [...mine.filter((point) => point.at_ms < first), ...told];
}
