// Plots of earlier evenings: from where to where the error went, and what knobs were found to do.

import { svg } from "./draw.js";

const WIDE = 390;
const LEFT = 58;
const RIGHT = 10;
const TICKS_ARCMIN = [6000, 600, 60, 10, 1, 0.1, 0.01];

/** One stroke for each evening, oldest first, on a logarithmic scale; returns it as a sentence. */
export function drawEvenings(holder, evenings) {
  const high = 250;
  const values = evenings.flatMap((one) => [one.start_arcmin, one.end_arcmin, one.tolerance_arcmin ?? one.end_arcmin]).map((value) => Math.max(value, 0.01));
  const [low, top] = [Math.min(...values) / 1.6, Math.max(...values) * 1.6];
  const y = (arcmin) => high - 30 - (Math.log(Math.max(arcmin, low) / low) / Math.log(top / low)) * (high - 40);
  const step = (WIDE - LEFT - RIGHT) / evenings.length;
  const x = (place) => LEFT + (place + 0.5) * step;
  const picture = svg("svg", { viewBox: `0 0 ${WIDE} ${high}`, "aria-hidden": "true" });
  for (const tick of TICKS_ARCMIN.filter((one) => one > low && one < top)) {
    picture.append(svg("line", { class: "d-line", "stroke-width": 1, opacity: 0.5, x1: LEFT, x2: WIDE - RIGHT, y1: y(tick), y2: y(tick) }), text(LEFT - 6, y(tick) + 5, short(tick), "end"));
  }
  const allowed = evenings.map((one, place) => (one.tolerance_arcmin ? `M${x(place) - step / 2} ${y(one.tolerance_arcmin)}h${step}` : "")).join("");
  picture.append(svg("path", { class: "d-dash", d: allowed || "M0 0" }));
  const size = Math.max(4, Math.min(12, step * 0.6));
  evenings.forEach((one, place) => {
    const [from, to] = [y(one.start_arcmin), y(one.end_arcmin)];
    picture.append(svg("path", { class: "d-line", d: `M${x(place)} ${from}V${to}` }),
      svg("path", { class: "d-ink", "stroke-width": 3, d: `M${x(place) - size / 2} ${from}h${size}` }),
      svg("rect", { class: "d-fill", x: x(place) - size / 2, y: to - size / 2, width: size, height: size }));
  });
  picture.append(text(LEFT, high - 8, day(evenings[0]), "start"), ...(evenings.length > 1 ? [text(WIDE - RIGHT, high - 8, day(evenings.at(-1)), "end")] : []));
  holder.replaceChildren(picture);
  const good = evenings.filter((one) => one.verdict === "good_enough").length;
  const count = evenings.length === 1 ? "One evening; it ended " + (good ? "good enough" : "not good enough") : `${evenings.length} evenings, ${good} of them ended good enough`;
  return `${count}. Bar: how it began; square: how it ended; dashed: what was allowed.`;
}

/** What a turn was found to do, report by report, with two sigma; and the play below it. */
export function drawReports(holder, reports) {
  const known = reports.filter((one) => one.arcmin_per_turn !== null);
  const size = { viewBox: `0 0 ${WIDE} 190`, "aria-hidden": "true" };
  holder.replaceChildren(svg("svg", size,
    ...panel(known.map((one) => [Math.abs(one.arcmin_per_turn), one.arcmin_per_turn_sigma]), 8, 92, "arcmin per turn", 1),
    ...panel(known.map((one) => [one.slack_turns, one.slack_sigma_turns]), 108, 176, "play, turns", 2)));
}

function panel(points, top, bottom, name, digits) {
  const low = Math.max(Math.min(...points.map(([value, sigma]) => value - 2 * sigma)), 0);
  const high = Math.max(...points.map(([value, sigma]) => value + 2 * sigma), low + 1e-6);
  const room = (high - low) * 0.1;
  const y = (value) => bottom - ((value - low + room) / (high - low + 2 * room)) * (bottom - top - 16);
  const x = (place) => LEFT + 34 + (points.length === 1 ? 0.5 : place / (points.length - 1)) * (WIDE - LEFT - RIGHT - 44);
  const parts = [svg("path", { class: "d-line", "stroke-width": 1, d: `M${LEFT + 24} ${top + 12}V${bottom}H${WIDE - RIGHT}` }),
    text(LEFT + 28, top + 8, name, "start"), text(LEFT + 18, y(high) + 8, high.toFixed(digits), "end"), text(LEFT + 18, y(low), low.toFixed(digits), "end")];
  points.forEach(([value, sigma], place) => {
    parts.push(svg("path", { class: "d-line", d: `M${x(place)} ${y(Math.max(value - 2 * sigma, 0))}V${y(value + 2 * sigma)}` }),
      svg("rect", { class: "d-fill", x: x(place) - 4, y: y(value) - 4, width: 8, height: 8 }));
  });
  return parts;
}

function day({ began_at: text }) { return text.slice(0, 10); }

function short(arcmin) {
  if (arcmin >= 60) return `${arcmin / 60} deg`;
  return arcmin >= 1 ? `${arcmin}′` : `${+(arcmin * 60).toFixed(1)}″`;
}

function text(x, y, words, anchor) {
  return svg("text", { class: "d-text", x, y, "text-anchor": anchor, "font-size": 14 }, words);
}
