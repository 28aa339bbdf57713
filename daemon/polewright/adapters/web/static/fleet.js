// The page of many mounts: the worst first, in words; it looks on and commands nothing.

import { hatch, html, put, svg } from "./draw.js";
import { LIGHTS, keep, lastLight, setLight } from "./light.js";
import { Link } from "./link.js";
import { age, angleText, sentence } from "./words.js";

const $ = (id) => document.getElementById(id);
const CALM = new Set(["good_enough", "off"]);
// A page that hears nothing for so long says so (ms).
const OLD_MS = 5000;

const items = new Map();
let told = null;
let toldAt = 0;
let where = "";

const link = new Link({ on: hear, onState: draw });

function hear(topic, payload) {
  if (topic === "link/welcome") where = payload.where;
  if (topic !== "fleet") return;
  told = payload;
  toldAt = performance.now();
  const begun = performance.now();
  draw();
  requestAnimationFrame(() => setTimeout(() => performance.measure("fleet", { start: begun, end: performance.now() })));
  if (performance.getEntriesByName("fleet").length > 100) performance.clearMeasures("fleet");
}

function draw() {
  const trouble = wrong();
  $("freshness").textContent = freshness();
  $("trouble").hidden = !trouble;
  if (trouble) { put($("trouble-reason"), trouble[0]); put($("trouble-remedy"), trouble[1]); }
  $("enter").hidden = !link.refused;
  put($("counts"), !told ? "" : told.mounts.length ? told.words : `No mount has said anything at ${where} yet.`);
  if (told) drawMounts(told.mounts);
}

function wrong() {
  if (link.refused) return ["Not let in.", "Where polewright fleet --serve runs, its terminal shows the link with its token. Open that, or paste it here."];
  if (link.later) return ["Too many wrong tokens came from this address.", "It is tried again by itself in half a minute."];
  if (!link.open && performance.now() - link.lostAt > 1500) {
    return ["No connection: what follows is old.", `Does polewright fleet --serve still run at ${link.host}? It is tried again by itself.`];
  }
  return told?.trouble ? [told.trouble, "What follows is as it was."] : null;
}

function freshness() {
  if (!link.open) return told ? `NO CONNECTION ${age((performance.now() - link.lostAt) / 1000)}` : link.refused ? "not let in" : "connecting";
  const oldMs = performance.now() - toldAt;
  if (!told) return "connected";
  if (told.trouble) return "OLD: no broker";
  return oldMs > OLD_MS ? `OLD: ${age(oldMs / 1000)}` : "live";
}

function drawMounts(mounts) {
  const names = new Set(mounts.map((one) => one.mount));
  for (const [name, item] of items) if (!names.has(name)) { item.remove(); items.delete(name); }
  const list = $("mounts");
  mounts.forEach((one, place) => {
    let item = items.get(one.mount);
    if (!item) items.set(one.mount, item = emptyItem());
    drawMount(item, one);
    if (list.children[place] !== item) list.insertBefore(item, list.children[place] ?? null);
  });
}

function emptyItem() {
  return html("li", {}, html("h2", {}, html("span", { class: "standing" }), html("span", { class: "name" })),
    html("p", { class: "why" }), html("p", { class: "remedy" }), html("div", { class: "ruler" }), html("p", { class: "figures" }));
}

function drawMount(item, one) {
  const part = (name) => item.querySelector(`.${name}`);
  item.classList.toggle("calm", CALM.has(one.standing) && !one.remedy);
  put(part("standing"), one.words);
  put(part("name"), one.mount);
  put(part("why"), sentence(one.note.replace("+-", "±")));
  put(part("remedy"), one.remedy);
  put(part("figures"), figures(one));
  const drawn = `${one.total_error_arcmin} ${one.total_error_sigma_arcmin} ${one.tolerance_arcmin}`;
  if (item.dataset.drawn === drawn) return;
  item.dataset.drawn = drawn;
  part("ruler").replaceChildren(...ruler(one));
}

function figures(one) {
  const parts = [];
  if (one.total_error_arcmin !== null) {
    const sigma = one.total_error_sigma_arcmin === null ? "" : ` ± ${angleText(2 * one.total_error_sigma_arcmin)}`;
    parts.push(`off by ${angleText(one.total_error_arcmin)}${sigma}`);
    if (one.tolerance_arcmin !== null && !CALM.has(one.standing)) parts.push(`${angleText(one.tolerance_arcmin)} allowed`);
    parts.push(one.live ? "live" : one.measured_age_s === null ? "some time ago" : `measured ${age(one.measured_age_s)} ago`);
  }
  if (one.state && one.state !== one.standing && !CALM.has(one.standing)) parts.push(one.state);
  return parts.join("; ");
}

// The ruler's ends, in tolerances.
const NEAREST = 0.1;
const FARTHEST = 1000;
const WIDE = 460;

/** The error on a ruler: the bracket at its left is what is allowed, hatched what is not known (two sigma). */
function ruler({ total_error_arcmin: error, total_error_sigma_arcmin: sigma, tolerance_arcmin: allowed }) {
  if (error === null || !allowed) return [];
  const x = (arcmin) => {
    const part = Math.log(Math.min(Math.max(arcmin / allowed, NEAREST), FARTHEST) / NEAREST) / Math.log(FARTHEST / NEAREST);
    return 8 + part * (WIDE - 16);
  };
  const { defs, fill } = hatch(6);
  const [low, high] = [x(error - 2 * (sigma ?? 0)), x(error + 2 * (sigma ?? 0))];
  return [svg("svg", { viewBox: `0 0 ${WIDE} 26`, preserveAspectRatio: "xMinYMid meet", "aria-hidden": "true" }, defs,
    svg("path", { class: "d-line", d: `M4 13H${WIDE - 4}` }),
    svg("path", { class: "d-ink", d: `M14 4H4V22H14M${x(allowed) - 10} 4h10v18h-10` }),
    svg("rect", { fill, x: low, y: 6, width: Math.max(high - low, 1), height: 14 }),
    svg("rect", { class: "d-nut", x: x(error) - 6, y: 7, width: 12, height: 12 }))];
}

$("enter").addEventListener("submit", (event) => {
  event.preventDefault();
  const found = link.enter($("enter-link").value);
  $("enter-link").value = "";
  if (!found) put($("trouble-remedy"), "There is no token in that: copy the whole link.");
});

let light = lastLight();
function showLight() {
  setLight(light);
  $("light").setAttribute("aria-label", `Light: ${LIGHTS.find(([, value]) => value === light)?.[0] ?? "red"}`);
}
$("light").addEventListener("click", () => {
  const next = (LIGHTS.findIndex(([, value]) => value === light) + 1) % LIGHTS.length;
  light = LIGHTS[next][1];
  keep("light", light);
  showLight();
});
showLight();
setInterval(draw, 1000);
