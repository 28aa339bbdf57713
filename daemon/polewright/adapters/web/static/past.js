// Earlier evenings: how the error went, what knobs, marks, mounts and clamps taught; reports.

import { html, put } from "./draw.js";
import { drawEvenings, drawReports } from "./pastplots.js";
import { VERDICTS, angleText } from "./words.js";

const $ = (id) => document.getElementById(id);

export class Past {
  /** `ask()` asks the service for what is kept; false where there is no connection. */
  constructor(ask) {
    this.ask = ask;
    this.told = null;
  }

  /** Begin to show: what is known stays until something newer comes. */
  show() {
    if (this.ask()) { if (!this.told) put($("past-words"), "Reading the journal."); }
    else put($("past-words"), "No connection: nothing can be read now.");
  }

  take(payload) {
    if (payload.trouble) { put($("past-words"), `${payload.trouble.text}. ${payload.trouble.remedy}`); return; }
    this.told = payload;
    const { evenings, more_evenings: more } = payload;
    put($("past-words"), evenings.length ? drawEvenings($("past-curve"), [...evenings].reverse()) : "No evening with a survey is kept yet.");
    $("past-evenings").replaceChildren(...evenings.map((one) => eveningItem(one, payload.ticket)));
    put($("past-more"), more ? `${more} older evenings: polewright history evenings, in a terminal.` : "");
    section("past-knobs", payload.knobs.flatMap(knobParts));
    section("past-marks", payload.placements.flatMap(marksParts));
    section("past-mounts", payload.mounts.filter((one) => one.floor_arcsec !== null || one.altitude_words).map(mountPart));
    section("past-brackets", payload.brackets.map(bracketPart));
  }
}

function section(id, parts) {
  $(id).hidden = parts.length === 0;
  $(id).querySelector(".content").replaceChildren(...parts);
}

function eveningItem(one, ticket) {
  const who = [...one.mounts.map(mountName), ...one.marks.map((name) => `on ${name}`)].join(", ");
  const link = html("a", { href: `report/${one.number}?ticket=${encodeURIComponent(ticket)}`, target: "_blank", rel: "noopener",
    "aria-label": `Report of ${day(one.began_at)}, evening ${one.number}` }, "Report");
  return html("li", {}, html("p", { class: "told" }, html("strong", {}, day(one.began_at)), who ? ` ${who}` : "", html("br"),
    `from ${angleText(one.start_arcmin)} to ${angleText(one.end_arcmin)} ± ${angleText(2 * one.end_sigma_arcmin)}: ${(VERDICTS[one.verdict] ?? one.verdict).toLowerCase()}`), link);
}

function knobParts({ mount, bolt, reports }) {
  const newest = reports.at(-1);
  const head = html("h3", {}, `${mountName(mount)}: ${bolt} knob`);
  if (newest.arcmin_per_turn === null) return [head, html("p", { class: "told" }, "What a turn does is not known yet: turn on, and report it.")];
  const words = `A whole turn does ${angleText(newest.arcmin_per_turn)} ± ${angleText(2 * newest.arcmin_per_turn_sigma)}; play ${turns(newest.slack_turns)} ± ${(2 * newest.slack_sigma_turns).toFixed(2)} turns; ${newest.turns} report${newest.turns === 1 ? "" : "s"} of a turn.`;
  if (reports.filter((one) => one.arcmin_per_turn !== null).length < 2) return [head, html("p", { class: "told" }, words)];
  const holder = html("div", { class: "plot" });
  drawReports(holder, reports);
  return [head, html("p", { class: "told" }, words), holder];
}

function marksParts({ mount, marks, words, returns }) {
  const parts = [html("h3", {}, `${marks} (${mountName(mount)})`), ...words.slice(1).map((line) => html("p", { class: "told" }, `${line[0].toUpperCase()}${line.slice(1)}.`))];
  if (!returns.length) return [...parts, html("p", { class: "told" }, words[0].split(": ").at(-1))];
  const rows = returns.toReversed().map((one) => html("tr", {}, html("th", { scope: "row" }, day(one.at)), html("td", {}, signed(one.altitude_arcmin)), html("td", {}, signed(one.azimuth_arcmin))));
  return [...parts, html("table", {}, html("caption", { class: "hint" }, "By how much each return changed the axis, in arcmin."),
    html("thead", {}, html("tr", {}, ...["put back", "altitude", "azimuth"].map((name) => html("th", { scope: "col" }, name)))), html("tbody", {}, ...rows))];
}

function mountPart(one) {
  const parts = [];
  if (one.floor_arcsec !== null) parts.push(`wanders by ${one.floor_arcsec.toFixed(1)} ± ${(2 * one.floor_sigma_arcsec).toFixed(1)} arcsec from frame to frame`);
  if (one.altitude_words) parts.push(`over weeks altitude ${plusMinus(one.altitude_words)}, azimuth ${plusMinus(one.azimuth_words)}`);
  return html("p", { class: "told" }, html("strong", {}, mountName(one.mount)), ` ${parts.join("; ")}. ${one.looks} looks at its axis.`);
}

function bracketPart(one) {
  return html("p", { class: "told" }, html("strong", {}, `${mountName(one.mount)}, ${one.bracket}`),
    ` held ${one.off_deg.toFixed(1)} deg crooked, sure to ${(2 * one.best_sigma_deg).toFixed(1)} deg as gravity shows it, to ${(2 * one.worst_sigma_deg).toFixed(1)} deg as the compass does; ${one.surveys} surveys.`);
}

function mountName(name) { return name || "turned by hand"; }
function plusMinus(words) { return words.replace("+-", "±"); }
function signed(arcmin) { return `${arcmin < 0 ? "−" : "+"}${Math.abs(arcmin).toFixed(1)}`; }
function turns(value) { return value < 0.005 ? "none," : value.toFixed(2); }
function day(text) {
  const at = new Date(text);
  return `${at.getFullYear()}-${String(at.getMonth() + 1).padStart(2, "0")}-${String(at.getDate()).padStart(2, "0")}`;
}
