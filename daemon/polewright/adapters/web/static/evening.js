// What is known of the evening, and what of it holds now.

import { STATES, VERDICTS, age, angleText, readFacts, readKnob, readWords } from "./words.js";

const VALID_S = 6;
const MOST_POINTS = 4000;
// A bolt moved when its figure changed by more than so many sigmas.
const MOVED_SIGMAS = 3;
// Both bolts inside this part of the tolerance: the total is inside, too.
const SHARE = 0.7;

export class Evening {
  constructor() {
    this.state = null;
    this.survey = null;
    this.health = null;
    this.correction = null;
    this.correctionAt = null;
    this.intervalS = 0;
    this.points = [];
    this.turning = null;
    this.known = false;
    this.lostOnce = false;
    this.noted = false;
  }

  /** Begin with what the service remembers. */
  begin(welcome) {
    this.known = true;
    // A service that was started anew knows less of the evening than this page does.
    if (welcome.history.length || !this.points.length) this.points = joined(this.points, welcome.history);
    if (!welcome.messages.correction) this.correction = null;
  }

  /** The devices that are in use, by their names. */
  get devices() { return this.health?.indi ?? {}; }

  /** The adjuster whose motors may turn the bolts, or null. */
  get motors() { return this.health?.page.offers_motors ? this.devices.adjuster ?? null : null; }

  take(topic, payload, ageS) {
    if (topic === "state") this.state = payload;
    if (topic === "health") this.health = payload;
    if (topic === "survey") {
      this.survey = payload;
      if (ageS === 0 && payload.age_s == null) this.#point("survey", payload);
    }
    if (topic === "correction") this.#correct(payload, ageS);
  }

  #correct(payload, ageS) {
    const at = performance.now() / 1000 - ageS - (payload.frame_age_s ?? 0);
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
    const ageS = correction ? performance.now() / 1000 - this.correctionAt : null;
    const validS = correction?.valid_s ?? Math.max(VALID_S, 2.5 * this.intervalS);
    const live = Boolean(correction?.live && ageS <= validS && state === "adjusting");
    const old = Boolean(correction && !live && state === "adjusting");
    const shown = {
      live, old, ageS, state,
      verdict: live ? correction.verdict : null,
      freshness: freshness({ link, live, old, ageS, known: this.known, state }),
      progress: state === "surveying" && this.state.percent != null ? this.state.percent : null,
      trouble: this.#trouble(state),
      byMotors: state === "adjusting" && !this.state.reason && Boolean(this.state.step) && this.state.step !== BY_HANDS,
      sure: "", news: "", next: null, doing: "", headline: "", turning: this.turning ?? "altitude",
    };
    this.#bolts(shown);
    if (!this.turning && shown.altitude.amountArcmin !== null) {
      shown.turning = (shown.azimuth.amountArcmin ?? 0) > shown.altitude.amountArcmin ? "azimuth" : "altitude";
    }
    this.#words(shown, link);
    return shown;
  }

  #trouble(state) {
    if (!this.state?.reason) return null;
    return { reason: this.state.reason, remedy: this.state.remedy ?? "", blocked: state === "blocked" };
  }

  #bolts(shown) {
    const correction = this.correction;
    if (shown.live || (shown.old && correction.total_error_arcmin !== null)) {
      const onSky = correction.azimuth_error_on_sky_arcmin;
      const stretch = onSky ? Math.abs(correction.azimuth_error_arcmin / onSky) : 1;
      const tolerance = this.#tolerance(correction);
      for (const bolt of ["altitude", "azimuth"]) {
        const read = readWords(correction[`${bolt}_words`]);
        const limit = tolerance === null ? null : tolerance * SHARE * (bolt === "azimuth" ? stretch : 1);
        shown[bolt] = laidOut(bolt, read, {
          old: shown.old,
          good: correction.verdict === "good_enough",
          turns: correction[`${bolt}_turns`],
          sigmaArcmin: correction[`${bolt}_error_sigma_arcmin`],
          toleranceArcmin: limit,
          inside: correction.verdict === "good_enough" || read.kind === "leave" || (limit !== null && read.amountArcmin !== null && read.amountArcmin <= limit),
        });
      }
    } else if (this.survey && shown.state !== "surveying") {
      const last = this.#lastSeen();
      const read = readFacts(last, this.survey.axis_azimuth_deg);
      for (const bolt of ["altitude", "azimuth"]) {
        shown[bolt] = laidOut(bolt, read[bolt], {
          old: false, turns: null, sigmaArcmin: last[`${bolt}_error_sigma_arcmin`], toleranceArcmin: this.#tolerance(last) * SHARE, inside: false,
        });
      }
    } else {
      for (const bolt of ["altitude", "azimuth"]) shown[bolt] = laidOut(bolt, { kind: "none", amountArcmin: null, side: 0, knob: "", words: "" }, { old: false, turns: null, sigmaArcmin: null, toleranceArcmin: null, inside: false });
    }
  }

  /** What was seen last of the axis: an adjustment that has ended, or the survey. */
  #lastSeen() {
    const last = this.correction;
    return last && last.total_error_arcmin !== null && Date.parse(last.at) >= Date.parse(this.survey.at) ? last : this.survey;
  }

  /** Who turns the axis: the mount, or the person, who is told when. */
  #surveying(shown, step) {
    shown.headline = "Surveying";
    if (BY_HAND.test(step)) {
      shown.doing = sentence(step.replace(BY_HAND, ""));
      shown.news = shown.doing;
    } else if (step) {
      shown.news = "The mount moves. Hands off.";
      shown.doing = `The mount moves: hands off. ${sentence(step)}`;
    } else shown.doing = "Hands off until the next words.";
  }

  #words(shown, link) {
    const { state, live } = shown;
    const step = this.state?.step ?? "";
    shown.doing = state ? `${STATES[state] ?? state}${step ? `: ${step}` : ""}` : "";
    if (state === "adjusting") shown.doing = live ? "" : step;
    if (!this.known) { shown.headline = "Connecting"; return; }
    if (!link.open) {
      shown.headline = "No connection";
      shown.doing = "The figures are old. To stop the mount now, use its own stop or its power switch.";
      shown.news = "No connection.";
      return;
    }
    if (state === "blocked") { shown.headline = "Blocked"; shown.doing = ""; shown.news = `Blocked. ${this.state.reason}`; return; }
    if (state === "surveying") { this.#surveying(shown, step); return; }
    if (live) {
      shown.headline = shown.byMotors ? "Hands off" : VERDICTS[this.correction.verdict];
      if (shown.byMotors) {
        shown.news = "The motors turn the bolts. Hands off.";
        shown.doing = `The motors turn the bolts. ${sentence(step)}`;
      }
      shown.sure = `Off by ${angleText(this.correction.total_error_arcmin)}, sure to ${angleText(this.correction.total_error_sigma_arcmin)}` +
        (this.#tolerance(this.correction) ? `; ${angleText(this.#tolerance(this.correction))} is allowed.` : ".");
      return;
    }
    if (state === "adjusting") {
      shown.headline = "Wait";
      shown.news = "Wait. The figures are old.";
      shown.doing = this.correction ? `No fresh figures. Do not turn by these. ${step}` : `The first frame is on its way. ${step}`;
      return;
    }
    if (this.survey) {
      const last = this.#lastSeen();
      shown.headline = VERDICTS[last.verdict];
      if (last === this.correction) {
        shown.sure = `Off by ${angleText(last.total_error_arcmin)}, sure to ${angleText(last.total_error_sigma_arcmin)}, when the adjustment ended.`;
        shown.next = last.verdict === "good_enough"
          ? { act: "survey", words: "Locks tight? Survey once more" } : { act: "adjust", words: "Adjust: turn the bolts" };
        return;
      }
      shown.sure = `Off by ${angleText(this.survey.total_error_arcmin)}, sure to ${angleText(this.survey.total_error_sigma_arcmin)}; ${surveyed(this.survey, link)}.`;
      shown.next = { act: "adjust", words: "Adjust: turn the bolts" };
    } else {
      shown.headline = "Not measured";
      shown.next = { act: "survey", words: "Survey the axis: the mount moves" };
    }
  }
}

// What the service says while hands, not motors, are at the bolts.
const BY_HANDS = "turn the bolts";
const BY_HAND = /^by hand: /;

function sentence(words) { return words ? `${words[0].toUpperCase()}${words.slice(1)}.` : ""; }

function surveyed(survey, link) {
  const now = link.hostNowMs();
  if (survey.age_s != null) return `surveyed ${age(survey.age_s)} before this start, so survey again to be sure`;
  const ago = now === null ? null : (now - Date.parse(survey.at)) / 1000;
  return ago !== null && ago >= 0 && ago < 43200 ? `surveyed ${age(ago)} ago` : "surveyed this evening";
}

function freshness({ link, live, old, ageS, known, state }) {
  if (!link.open) return known ? `NO CONNECTION ${age((performance.now() - link.lostAt) / 1000)}` : "connecting";
  if (live) return `live, ${age(ageS)} old`;
  if (old) return `OLD: ${age(ageS)}`;
  return state === "adjusting" ? "no figures yet" : "connected";
}

/** One bolt as its card shows it. */
function laidOut(bolt, read, { old, turns, sigmaArcmin, toleranceArcmin, inside, good = false }) {
  const card = { ...read, old, turns: null, sigmaArcmin, toleranceArcmin, inside, leaves: read.kind === "leave", arrow: null, also: "", lead: read.lead ?? "", number: read.number ?? "", unit: read.unit ?? "", verb: read.verb ?? "" };
  if (read.kind === "none") { card.verb = "–"; return card; }
  if (read.kind === "fact") return card;
  if (old) {
    card.lead = "was, a while ago:";
    if (read.kind === "leave") card.verb = "in place";
    return card;
  }
  if (read.kind === "leave") { card.verb = "leave it"; return card; }
  if (read.kind === "words") { card.verb = read.words; return card; }
  if (good) {
    // Good enough: what is left is a figure, not a thing to do.
    return { ...card, leaves: true, lead: "", verb: "leave it", number: "", unit: "", also: `${read.number} ${read.unit} left` };
  }
  card.turns = turns;
  const knob = readKnob(read.knob);
  if (knob) {
    // The hand turns the knob: its turn is what must be read from afar.
    card.number = knob.number;
    card.unit = knob.unit;
    card.arrow = { sense: knob.sense };
    card.also = [knob.after, `${read.number} ${read.unit} to go`].filter(Boolean).join("; ");
  } else if (read.sense) {
    card.arrow = { sense: read.sense, flat: true };
    card.also = `${read.sense} seen from above`;
  } else card.also = read.knob ? `knob ${read.knob}` : "";
  return card;
}

/** Points of two tellings of one evening, without those that are in both. */
function joined(mine, told) {
  const first = told[0]?.at_ms ?? Infinity;
  return [...mine.filter((point) => point.at_ms < first), ...told];
}
