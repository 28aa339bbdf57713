// The page: takes what the service tells, and shows what the hands have to do now.

import { Awake } from "./awake.js";
import { BoltDrawing } from "./bolt.js";
import { CameraView } from "./camera.js";
import { drawCurve, drawResiduals, surveyGrounds } from "./curve.js";
import { html, put, turnArrow } from "./draw.js";
import { Evening } from "./evening.js";
import { Link } from "./link.js";
import { Past } from "./past.js";
import { PhoneSensor } from "./phone.js";
import { Sheets } from "./sheets.js";
import { Screen } from "./screen.js";
import { Sound } from "./sound.js";
import { Voice } from "./voice.js";

const $ = (id) => document.getElementById(id);
const REDRAW_MS = 500;
const MOST_EVENTS = 20;

const unseen = [];
let waiting = false;
let noted = false;
const evening = new Evening();
const sound = new Sound();
const voice = new Voice();
const awake = new Awake((words) => { $("awake-words").textContent = words; });
const camera = new CameraView($("camera"), $("camera-words"));
const drawings = {};
for (const bolt of ["altitude", "azimuth"]) {
  drawings[bolt] = new BoltDrawing($(bolt).querySelector(".rod"), { upright: bolt === "altitude" });
}

const link = new Link({ on: hear, onState: linked });
const phone = new PhoneSensor(link);
const past = new Past(() => link.send({ past: true }));
const sheets = new Sheets({ command, evening, link });
phone.ask = (verb, args) => { sheets.ask(verb, args); if (verb === "adjust") screen.show("bolts"); };
const screen = new Screen({ sound, voice, awake, onView: viewed, redraw: () => { draw(); camera.draw(); } });

function hear(topic, payload, ageS, sentMs) {
  switch (true) {
    case topic === "link/welcome":
      $("mount").textContent = payload.mount;
      $("about").textContent = `${payload.site ? `${payload.site}. ` : ""}polewright ${payload.version}. ${payload.role === "look" ? "This link may look, and not command." : ""}`;
      evening.begin(payload);
      break;
    case topic === "frame": camera.frame(payload); return;
    case topic === "targets": camera.setTargets(payload); return;
    case topic === "event": note(payload); break;
    case topic.startsWith("reply/"): sheets.answered(payload); break;
    case topic === "link/refused": break;
    case topic === "link/sensor": phone.refused(payload); break;
    case topic === "sensor": phone.take(payload); return;
    case topic === "link/past": past.take(payload); return;
    default: evening.take(topic, payload, ageS);
  }
  if (topic === "correction" && sentMs !== null) unseen.push(sentMs);
  drawSoon();
}

/** Draw once for messages that come together; what sounds goes on behind another page, too. */
function drawSoon() {
  if (document.hidden) { unseen.length = 0; draw(); return; }
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    draw();
    for (const sentMs of unseen.splice(0)) measured(sentMs);
  });
}

/** How long from the service's sending to the picture, kept where browsers keep such things. */
function measured(sentMs) {
  if (link.offsetMs === null) return;
  const start = sentMs - link.offsetMs - performance.timeOrigin;
  // After the frame that shows it has been drawn.
  setTimeout(() => {
    const end = performance.now();
    // A page that has just opened knows the other clock only roughly.
    if (start >= 0 && start <= end) performance.measure("correction", { start, end });
    if (performance.getEntriesByName("correction").length > 200) performance.clearMeasures("correction");
  });
}

function linked(state) {
  phone.linked(state);
  if (state.open) {
    sheets.allow(state.role === "command");
    if (screen.view === "camera") link.send({ pictures: true });
    if (screen.view === "past") past.show();
    if (evening.lostOnce) voice.say("connected again", { now: true });
  } else {
    evening.lostOnce = evening.lostOnce || evening.known;
    sheets.lost();
  }
  draw();
}

function viewed(view) {
  camera.shown = view === "camera";
  if (view === "past") past.show();
  if (link.open) link.send({ pictures: camera.shown });
  draw();
  fitAll();
}

function command(verb, args) {
  const command = link.command(verb, args);
  if (!command.sent) {
    $("said").textContent = verb === "stop"
      ? "No connection: the stop is sent as soon as there is one. Use the mount's own stop or its power switch now."
      : "No connection: nothing was sent.";
  }
  return command;
}

function note(event) {
  const { level, text, remedy } = event;
  const item = html("li", {}, `${level === "info" ? "" : `${level[0].toUpperCase()}${level.slice(1)}: `}${text}`);
  if (remedy) item.append(html("span", { class: "remedy" }, remedy));
  const list = $("events");
  if (!noted) list.replaceChildren();
  noted = true;
  list.prepend(item);
  while (list.children.length > MOST_EVENTS) list.lastChild.remove();
  if (!sheets.warned(event) && level !== "info") $("said").textContent = `${text}. ${remedy ?? ""}`;
}

function draw() {
  const now = evening.now(link);
  $("freshness").textContent = now.freshness;
  if (put($("verdict"), now.headline)) fitOne($("verdict"), $("view-bolts").clientWidth);
  $("view-bolts").classList.toggle("lost", !link.open && now.headline !== "Connecting");
  $("view-bolts").classList.toggle("busy", now.altitude.kind === "none");
  put($("doing"), now.doing);
  $("enter").hidden = !now.enter;
  $("view-bolts").classList.toggle("entering", now.enter);
  $("trouble").hidden = !now.trouble;
  if (now.trouble) { put($("trouble-reason"), now.trouble.reason); put($("trouble-remedy"), now.trouble.remedy); }
  drawProgress(now.progress);
  put($("sure"), now.sure);
  $("sure").hidden = !now.sure;
  for (const bolt of ["altitude", "azimuth"]) drawBolt(bolt, now[bolt], now);
  const next = $("next");
  next.hidden = !now.next || link.role !== "command";
  if (now.next) { put(next, now.next.words); next.dataset.act = now.next.act; }
  sheets.draw(now);
  $("stop").classList.toggle("unreachable", !link.open || link.role === "look");
  put($("stop"), link.role === "look" && link.open ? "Onlooker: cannot stop" : link.open ? "Stop" : "Stop: no connection");
  put($("voice-words"), Voice.possible ? "On change, and at most every five seconds." : "This browser has no voice.");
  const near = now.live ? now[screen.bolt ?? now.turning] : null;
  sound.update(near && near.amountArcmin !== null ? near : null);
  camera.judge({ live: now.live, home: now.verdict === "good_enough" });
  if (now.live && !now.byMotors) voice.say(now.news || `${near.words}. ${near.knob ? `Knob ${near.knob}.` : ""}`);
  else if (now.news) voice.say(now.news);
  if (screen.view === "evening") {
    put($("evening-words"), drawCurve($("curve"), evening.points));
    put($("survey-words"), drawResiduals($("residuals"), evening.survey));
    const grounds = surveyGrounds(evening.survey);
    $("survey-grounds").replaceChildren(...grounds.map((words) => html("li", {}, words)));
    $("survey-grounds").hidden = grounds.length === 0;
  }
}

function drawBolt(name, bolt, now) {
  const card = $(name);
  const part = (key) => card.querySelector(`.${key}`);
  card.classList.toggle("old", bolt.old);
  card.classList.toggle("fact", bolt.kind === "fact");
  card.classList.toggle("words", bolt.kind === "words");
  card.classList.toggle("knob", Boolean(bolt.arrow && !bolt.arrow.flat));
  put(part("lead"), bolt.lead);
  const resized = [put(part("verb"), bolt.verb), put(part("number"), bolt.number), put(part("unit"), bolt.unit), put(part("also"), bolt.also)].includes(true);
  part("amount").classList.toggle("none", !bolt.number);
  const arrow = part("arrow");
  const says = bolt.arrow ? `${bolt.arrow.sense}${bolt.arrow.flat ?? ""}` : "";
  if (arrow.dataset.says !== says) {
    arrow.dataset.says = says;
    arrow.replaceChildren(...(bolt.arrow ? [turnArrow(bolt.arrow.sense, bolt.arrow)] : []));
  }
  if (resized) fit(card);
  put(part("scale"), drawings[name].show({
    amountArcmin: bolt.amountArcmin, side: bolt.side, turns: bolt.turns, roomArcmin: bolt.roomArcmin,
    marginArcmin: bolt.marginArcmin, home: bolt.home, still: !now.live,
  }));
}

function drawProgress(percent) {
  const holder = $("progress");
  holder.hidden = percent === null;
  if (percent === null) return;
  if (!holder.firstChild) holder.append(html("progress", { max: 100, "aria-label": "how much is done" }), html("span", {}));
  holder.firstChild.value = percent;
  put(holder.lastChild, `${Math.round(percent)} % done`);
}

/** Shrink what does not fit in its line: fonts differ from phone to phone. */
function fit(card) {
  const room = card.querySelector(".say").clientWidth;
  for (const key of ["verb", "number", "unit"]) {
    fitOne(card.querySelector(`.${key}`), key === "number" ? room - (card.querySelector(".arrow").offsetWidth || 0) - 12 : room);
  }
}

function fitOne(element, room) {
  element.style.fontSize = "";
  const wide = element.scrollWidth;
  if (wide <= room || room <= 0) return;
  const size = parseFloat(getComputedStyle(element).fontSize);
  element.style.fontSize = `${Math.floor(size * room / wide)}px`;
}

function fitAll() {
  document.querySelectorAll(".bolt").forEach(fit);
  fitOne($("verdict"), $("view-bolts").clientWidth);
}
addEventListener("resize", fitAll);

$("enter").addEventListener("submit", (event) => {
  event.preventDefault();
  const found = link.enter($("enter-link").value);
  $("enter-link").value = "";
  if (!found) $("said").textContent = "There is no token in that: copy the whole link.";
});
$("stop").addEventListener("click", () => sheets.act("stop"));
$("next").addEventListener("click", () => { sheets.act($("next").dataset.act); $("main").scrollTop = 0; });
screen.begin();
setInterval(draw, REDRAW_MS);

