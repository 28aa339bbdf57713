// Reads the words of a correction, and says figures as a person says them.

const IN_ARCMIN = { deg: 60, arcmin: 1, arcsec: 1 / 60 };
const ALTITUDE = /^(lower|raise) the axis ([0-9.]+) (deg|arcmin|arcsec)$/;
const AZIMUTH = /^turn the mount head ([0-9.]+) (deg|arcmin|arcsec) toward the (east|west) \((clockwise|anticlockwise) seen from above\)$/;
const LEAVE = /^leave the (altitude|azimuth) as it is$/;

/**
 * What one bolt needs, from the words that every display gets.
 * `side`: where the nut stands now, +1 above or right of the collar, -1 below or left.
 */
export function readWords(words) {
  const [first, knob = ""] = words.split("; knob ");
  if (LEAVE.test(first)) return { kind: "leave", amountArcmin: 0, side: 0, knob, words: first };
  let found = ALTITUDE.exec(first);
  if (found) {
    return { kind: "turn", lead: "", verb: found[1], number: found[2], unit: found[3], sense: "",
      amountArcmin: found[2] * IN_ARCMIN[found[3]], side: found[1] === "lower" ? 1 : -1, knob, words: first };
  }
  found = AZIMUTH.exec(first);
  if (found) {
    return { kind: "turn", lead: "turn the mount head to the", verb: found[3], number: found[1], unit: found[2], sense: found[4],
      amountArcmin: found[1] * IN_ARCMIN[found[2]], side: found[4] === "clockwise" ? -1 : 1, knob, words: first };
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
export function readFacts(found, axisAzimuthDeg) {
  const north = Math.cos((axisAzimuthDeg * Math.PI) / 180) > 0;
  const altitude = found.altitude_error_arcmin;
  const azimuth = found.azimuth_error_arcmin;
  const fact = (arcmin, verb) => ({ kind: "fact", lead: "the axis is", verb, ...angle(arcmin),
    amountArcmin: Math.abs(arcmin), side: Math.sign(arcmin), knob: "", sense: "" });
  return {
    altitude: fact(altitude, altitude > 0 ? "too high" : "too low"),
    azimuth: fact(azimuth, (azimuth > 0) === north ? "too far east" : "too far west"),
  };
}

const STEP = /^(?:about )?(.+?) (turns?) (clockwise|anticlockwise)$/;
const TOUCH = /^a touch (clockwise|anticlockwise)$/;

/** The knob's words as a number to be read from afar, its unit, and what comes after. */
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

/** Words for a voice: no abbreviations. */
export function spoken(words) {
  return words
    .replace(/\barcmin\b/g, "arc minutes").replace(/\barcsec\b/g, "arc seconds").replace(/\bdeg\b/g, "degrees")
    .replace(/\b1\/16\b/g, "a sixteenth").replace(/\b1\/8\b/g, "an eighth").replace(/\b1\/6\b/g, "a sixth")
    .replace(/\b1\/4\b/g, "a quarter").replace(/\b1\/3\b/g, "a third").replace(/\b1\/2\b/g, "half a")
    .replace(/\b2\/3\b/g, "two thirds of a").replace(/\b3\/4\b/g, "three quarters of a").replace(/ \([^)]*\)/g, "");
}
