// The evening as a curve: total error over time, with its two-sigma band and the tolerance.

import { hatch, html, svg } from "./draw.js";
import { angleText } from "./words.js";

const WIDTH = 390;
const HEIGHT = 300;
const LEFT = 66;
const BOTTOM = 34;
const TICKS_ARCMIN = [600, 120, 60, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05];

/** Draw the points into a holder; returns the same as a sentence. */
export function drawCurve(holder, points) {
  if (points.length === 0) { holder.replaceChildren(); return "Nothing measured yet."; }
  const first = points[0].at_ms;
  const last = Math.max(points.at(-1).at_ms, first + 10000);
  const tolerance = points.findLast((p) => p.tolerance_arcmin)?.tolerance_arcmin ?? null;
  const values = points.flatMap((p) => [p.total_arcmin, p.total_arcmin + 2 * p.sigma_arcmin]);
  const top = Math.max(...values, tolerance ?? 0) * 1.4;
  const bottom = Math.max(0.03, Math.min(...points.map((p) => p.total_arcmin), tolerance ?? Infinity) / 2.5);
  const x = (ms) => LEFT + ((ms - first) / (last - first)) * (WIDTH - LEFT - 8);
  const y = (arcmin) => {
    const part = Math.log(Math.max(arcmin, bottom) / bottom) / Math.log(top / bottom);
    return HEIGHT - BOTTOM - part * (HEIGHT - BOTTOM - 8);
  };
  const { defs, fill } = hatch(7);
  const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, "aria-hidden": "true" }, defs);
  for (const tick of TICKS_ARCMIN.filter((t) => t < top && t > bottom)) {
    if (tolerance && Math.abs(y(tick) - y(tolerance)) < 20) continue;
    picture.append(svg("line", { class: "d-line", "stroke-width": 1, x1: LEFT, x2: WIDTH - 8, y1: y(tick), y2: y(tick), opacity: 0.5 }),
      text(LEFT - 6, y(tick) + 5, shortAngle(tick), "end"));
  }
  const shown = thinned(points, 300);
  const upper = shown.map((p) => `${x(p.at_ms)} ${y(p.total_arcmin + 2 * p.sigma_arcmin)}`);
  const lower = shown.map((p) => `${x(p.at_ms)} ${y(p.total_arcmin - 2 * p.sigma_arcmin)}`).reverse();
  picture.append(svg("path", { fill, d: `M${[...upper, ...lower].join("L")}Z` }),
    svg("path", { class: "d-ink", d: `M${shown.map((p) => `${x(p.at_ms)} ${y(p.total_arcmin)}`).join("L")}` }));
  for (const p of points.filter((one) => one.kind === "survey")) {
    picture.append(svg("rect", { class: "d-nut", x: x(p.at_ms) - 7, y: y(p.total_arcmin) - 7, width: 14, height: 14 }));
  }
  if (tolerance) {
    picture.append(svg("line", { class: "d-dash", x1: LEFT, x2: WIDTH - 8, y1: y(tolerance), y2: y(tolerance) }),
      text(LEFT - 6, y(tolerance) + 5, shortAngle(tolerance), "end"),
      text(WIDTH - 10, y(tolerance) + 19, "tolerance", "end"));
  }
  picture.append(text(LEFT, HEIGHT - 8, clock(first), "start"), text(WIDTH - 8, HEIGHT - 8, clock(last), "end"));
  holder.replaceChildren(picture);
  const now = points.at(-1);
  return `From ${angleText(points[0].total_arcmin)} at ${clock(first)} to ${angleText(now.total_arcmin)} at ${clock(now.at_ms)}` +
    (tolerance ? `; the tolerance is ${angleText(tolerance)}.` : ".") + " Square: a survey. Hatched: two sigma.";
}

// A frame that leaves more than this part of the uncertainty is not worth its while.
const GAINS = 0.95;

/** What one more frame would have gained, and that directions alone decided, each as a line. */
export function surveyGrounds(survey) {
  if (survey?.method !== "stars") return [];
  const lines = [];
  if (survey.roll_used === false) lines.push("By directions alone: how the pictures roll was left out, as if a rotator turned them.");
  const further = survey.further_frame_sigma_arcmin ?? null;
  if (further !== null) {
    const now = survey.total_error_sigma_arcmin;
    lines.push(further < GAINS * now ? `One more frame would make it sure to ${angleText(further)} instead of ${angleText(now)}.`
      : "One more frame would give hardly more certainty.");
  }
  return lines;
}

/** Draw the residuals of a survey as a table with bars; returns the survey as a sentence. */
export function drawResiduals(holder, survey) {
  if (!survey) { holder.replaceChildren(); return "No survey yet."; }
  const rows = survey.residuals ?? [];
  const largest = Math.max(1, ...rows.map((r) => r.pointing_arcsec));
  const table = html("table", {},
    html("caption", { class: "hint" }, "What is left of each frame, in arcsec: direction, and roll."),
    html("thead", {}, html("tr", {}, ...["frame", "turned", "direction", "bar", "roll"].map((name) => html("th", { scope: "col" }, name)))),
    html("tbody", {}, ...rows.map((r) => html("tr", {},
      html("th", { scope: "row" }, r.frame), html("td", {}, `${r.turn_deg.toFixed(0)} deg`), html("td", {}, r.pointing_arcsec.toFixed(1)),
      html("td", {}, bar(r.pointing_arcsec / largest)), html("td", {}, r.roll_arcsec.toFixed(1))))));
  holder.replaceChildren(...(rows.length ? [table] : []));
  const old = survey.age_s == null ? "" : ` Measured on another evening, ${(survey.age_s / 3600).toFixed(1)} h before this start.`;
  return `Off by ${angleText(survey.total_error_arcmin)}, sure to ${angleText(survey.total_error_sigma_arcmin)}, from ${survey.frames} frames ` +
    `over ${survey.sweep_deg.toFixed(0)} deg; misfit ${survey.chi2.toFixed(1)} where ${survey.degrees_of_freedom} is usual.${old}`;
}

function bar(part) {
  return svg("svg", { viewBox: "0 0 60 16", width: 60, height: 16, "aria-hidden": "true" },
    svg("rect", { class: "d-fill", x: 0, y: 3, width: Math.max(1, 60 * part), height: 10 }));
}

function thinned(points, most) {
  const step = Math.ceil(points.length / most);
  return points.filter((_, index) => index % step === 0 || index === points.length - 1);
}

function shortAngle(arcmin) {
  if (arcmin >= 60) return `${+(arcmin / 60).toFixed(1)} deg`;
  return arcmin >= 1 ? `${+arcmin.toFixed(1)}′` : `${+(arcmin * 60).toFixed(0)}″`;
}

function text(x, y, words, anchor) {
  return svg("text", { class: "d-text", x, y, "text-anchor": anchor, "font-size": 15 }, words);
}

function clock(ms) {
  const at = new Date(ms);
  return [at.getHours(), at.getMinutes(), at.getSeconds()].map((n) => String(n).padStart(2, "0")).join(":");
}
