// Reads the words of a correction, and says figures as a person says them.

const IN_ARCMIN = { deg: 60, arcmin: 1, arcsec: 1 / 60 };
const ALTITUDE = /^(lower|raise) the axis ([0-9.]+) (deg|arcmin|arcsec)$/;
const AZIMUTH = /^turn the mount head ([0-9.]+) (deg|arcmin|arcsec) toward the (east|west)(?: \((clockwise|anticlockwise) seen from above\))?$/;
const LEAVE = /^leave the (altitude|azimuth) as it is$/;
const WAIT = /^leave the (altitude|azimuth) for now/;
// What of a knob's clockwise is meant; the page says it once, below the figure.
const FACING = " as you face it";

/**
 * What one bolt needs, from the words that every display gets.
 * `toGoArcmin`: the same as a figure, positive raises the axis or increases its azimuth.
 * `side`: where the nut stands now, +1 above or right of the collar, -1 below or left.
 */
export function readWords(words, toGoArcmin = null) {
  const [first, said = ""] = words.split("; knob ");
  const knob = said.replace(FACING, "");
  const figure = (amount) => ({ knob, words: first, amountArcmin: toGoArcmin === null ? amount : Math.abs(toGoArcmin), side: -Math.sign(toGoArcmin ?? 0) });
  if (LEAVE.test(first)) return { ...figure(0), kind: "leave" };
  if (WAIT.test(first)) return { ...figure(0), kind: "wait" };
  let found = ALTITUDE.exec(first);
  if (found) {
    return { ...figure(found[2] * IN_ARCMIN[found[3]]), kind: "turn", verb: found[1], number: found[2], unit: found[3],
      side: found[1] === "lower" ? 1 : -1 };
  }
  found = AZIMUTH.exec(first);
  if (found) {
    const [, number, unit, verb, sense] = found;
    const read = { ...figure(number * IN_ARCMIN[unit]), kind: "turn", lead: "turn the mount head to the", verb, number, unit, sense };
    return sense ? { ...read, side: sense === "clockwise" ? -1 : 1 } : read;
  }
  // Words that are not known yet are shown as they are, without a drawing.
  return { kind: "words", amountArcmin: null, side: 0, knob, words: first };
}

/** An angle in arcmin as number and unit. */
export function angle(arcmin) {
  const size = Math.abs(arcmin);
  if (size >= 90) return { number: (size / 60).toFixed(1), unit: "deg" };
  if (size >= 1) return { number: size.toFixed(1), unit: "arcmin" };
  return { number: (size * 60).toFixed(0), unit: "arcsec" };
}

export function angleText(arcmin) {
  const { number, unit } = angle(arcmin);
  return `${number} ${unit}`;
}

/** What was found of both bolts, as facts, not as something to do; the axis shows the hemisphere. */
export function readFacts(found, axisAzimuthDeg, { current }) {
  const north = Math.cos((axisAzimuthDeg * Math.PI) / 180) > 0;
  const fact = (bolt, high, low) => {
    const arcmin = found[`${bolt}_error_arcmin`];
    return { kind: current && isHome(found, bolt) ? "home" : "fact", lead: "the axis is", verb: arcmin > 0 ? high : low,
      ...angle(arcmin), amountArcmin: Math.abs(arcmin), side: Math.sign(arcmin), knob: "", words: "" };
  };
  const [more, less] = north ? ["east", "west"] : ["west", "east"];
  return {
    altitude: fact("altitude", "too high", "too low"),
    azimuth: fact("azimuth", `too far ${more}`, `too far ${less}`),
  };
}

/** Whether a bolt is inside its room, worst case; false where an earlier service did not say. */
function isHome(found, bolt) {
  const part = (name) => found[`${bolt}_${name}_arcmin`] ?? Infinity;
  return Math.abs(part("to_go")) + part("margin") <= part("room") && part("room") < Infinity;
}

/** What a star alignment came to: how well go-tos will do, and what the field that checked it said. */
export function gotoWords(found) {
  const told = (arcsec) => angleText(arcsec / 60);
  const good = found.verdict === "good_enough" ? "Go-tos are good enough" : "Go-tos are not good enough yet";
  const ways = [["by the mount's own coordinates", found.goto_own_arcsec], ["through the model", found.goto_model_arcsec]];
  if (found.syncs === "never") ways.reverse();
  const misses = ways.filter(([, arcsec]) => arcsec !== null).map(([way, arcsec]) => ` Sent ${way} it misses by about ${told(arcsec)}.`);
  const promised = found.check_promised_arcsec === null ? "" : ` ${told(found.check_promised_arcsec)} promised,`;
  return `${good}; ${told(found.goto_wish_arcsec)} is wished.${misses.join("")} On a field that was not used:${promised} ${told(found.check_met_arcsec)} seen.`;
}

const STEP = /^(?:about )?(.+?) (turns?) (clockwise|anticlockwise)$/;
const TOUCH = /^a touch (clockwise|anticlockwise)$/;

/** The knob's words, without whose clockwise it is, as a number to be read from afar, its unit, and what comes after. */
export function readKnob(words) {
  const [first, ...rest] = words.split(", then ");
  const after = rest.length ? `then ${rest.join(", then ")}` : "";
  const touch = TOUCH.exec(first);
  if (touch) return { number: "a touch", unit: touch[1], sense: touch[1], after };
  const step = STEP.exec(first);
  return step ? { number: step[1], unit: `${step[2]} ${step[3]}`, sense: step[3], after } : null;
}

export const VERDICTS = { good_enough: "Good enough", not_yet: "Not yet", cannot_tell: "Cannot tell" };

export const STATES = {
  idle: "resting", surveying: "surveying", adjusting: "adjusting: taking frame after frame",
  verifying: "verifying", "star-aligning": "aligning on stars", watching: "watching", blocked: "blocked",
};

/** Seconds as a person says them. */
export function age(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}

const SPOKEN_PARTS = { "1/16": "a sixteenth", "1/8": "an eighth", "1/6": "a sixth", "1/4": "a quarter", "1/3": "a third", "1/2": "a half", "2/3": "two thirds", "3/4": "three quarters" };

/** Words for a voice: no abbreviations. */
export function spoken(words) {
  return words
    .replace(/\barcmin\b/g, "arc minutes").replace(/\barcsec\b/g, "arc seconds").replace(/\bdeg\b/g, "degrees")
    .replace(/(\d+) (\d\/\d+) turns/g, (all, whole, part) => `${whole} and ${SPOKEN_PARTS[part] ?? part} turns`)
    .replace(/(\d\/\d+) turn\b/g, (all, part) => `${SPOKEN_PARTS[part] ?? part} of a turn`)
    .replace(/ \([^)]*\)/g, "");
}

/** Words as a sentence: a capital first, a full stop last; nothing of nothing. */
export function sentence(words) {
  return words ? `${words[0].toUpperCase()}${words.slice(1)}${words.endsWith(".") ? "" : "."}` : "";
}
