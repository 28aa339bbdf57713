// The one connection to the service: opens, greets, and comes back by itself.

const HEARTBEAT_MS = 4000;
const SILENCE_MS = 9500;
const FIRST_PAUSE_MS = 400;
const LONGEST_PAUSE_MS = 5000;
const TOKEN_REFUSED = 4401;
const TRY_LATER = 4429;
// The service counts wrong tokens for a minute.
const LATER_MS = 30000;
const STOP_KEPT_MS = 20000;

const TOKEN = /[#&]token=([A-Za-z0-9_-]+)/;

/** The token of the link, taken out of the address so that nobody reads it over a shoulder. */
function takeToken() {
  const found = TOKEN.exec(location.hash);
  if (found) {
    remember(found[1]);
    history.replaceState(null, "", location.pathname);
    return found[1];
  }
  try { return localStorage.getItem("polewright-token"); } catch { return null; }
}

function remember(token) {
  try { localStorage.setItem("polewright-token", token); } catch { /* private mode: for this time only */ }
}

export class Link {
  /** `on(topic, payload, ageS, sentMs)` is told every message, `onState(state)` every change. */
  constructor({ on, onState }) {
    this.on = on;
    this.onState = onState;
    this.token = takeToken();
    this.socket = null;
    this.open = false;
    // Why it was turned away, where it was: its token, or too many wrong ones.
    this.refused = false;
    this.later = false;
    this.role = null;
    this.lostAt = performance.now();
    this.pause = FIRST_PAUSE_MS;
    this.heardAt = 0;
    this.offsetMs = null;
    this.bestRoundMs = Infinity;
    this.waitingStop = null;
    setInterval(() => this.#beat(), HEARTBEAT_MS);
    for (const event of ["online", "pageshow", "visibilitychange"]) {
      addEventListener(event, () => { if (!document.hidden) this.#hurry(); });
    }
    // A link with another token, opened where this page is open already, loads nothing anew.
    addEventListener("hashchange", () => this.enter(location.hash));
    this.#connect();
  }

  get host() { return location.host; }

  get encrypted() { return location.protocol === "https:"; }

  /** Take the token of another link, or the bare token, and try it; false where there is none. */
  enter(words) {
    const token = TOKEN.exec(words)?.[1] ?? /^[A-Za-z0-9_-]{8,}$/.exec(words.trim())?.[0];
    if (!token) return false;
    this.token = token;
    remember(token);
    history.replaceState(null, "", location.pathname);
    this.refused = false;
    this.pause = FIRST_PAUSE_MS;
    this.lostAt = performance.now();
    const before = this.socket;
    this.socket = null;
    before?.close();
    this.open = false;
    this.onState({ open: false });
    this.#connect();
    return true;
  }

  send(message) {
    if (!this.open) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }

  /** Send a command; a stop without a connection is kept for a while. */
  command(verb, args = {}) {
    const id = `page-${crypto.getRandomValues(new Uint32Array(3)).join("-")}`;
    const message = { command: verb, payload: { id, ...args } };
    const sent = this.send(message);
    if (!sent && verb === "stop") this.waitingStop = { message, until: performance.now() + STOP_KEPT_MS };
    return { id, sent };
  }

  #connect() {
    clearTimeout(this.again);
    const scheme = this.encrypted ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/live`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    this.heardAt = performance.now();
    socket.onopen = () => {
      socket.send(JSON.stringify(this.token ? { hello: 1, token: this.token } : { hello: 1 }));
    };
    socket.onmessage = (event) => { if (socket === this.socket) this.#heard(event.data); };
    socket.onclose = (event) => { if (socket === this.socket) this.#lost(event.code); };
  }

  #heard(data) {
    this.heardAt = performance.now();
    if (typeof data !== "string") { this.on("frame", data, 0, null); return; }
    const { topic, payload, ms } = JSON.parse(data);
    if (topic === "link/welcome") this.#welcome(payload);
    else if (topic === "link/clock") this.#clock(payload);
    else this.on(topic, payload, 0, ms ?? null);
  }

  #welcome(payload) {
    this.open = true;
    this.refused = this.later = false;
    this.role = payload.role;
    this.pause = FIRST_PAUSE_MS;
    this.bestRoundMs = Infinity;
    // The page is busy while it opens: the clock is asked again when it rests.
    for (const pause of [0, 150, 400, 800, 1300]) setTimeout(() => this.#beat(), pause);
    this.onState({ open: true, role: payload.role });
    this.on("link/welcome", payload, 0, null);
    for (const [topic, { age_s: ageS, payload: body }] of Object.entries(payload.messages)) {
      this.on(topic, body, ageS, null);
    }
    if (this.waitingStop && performance.now() < this.waitingStop.until) this.send(this.waitingStop.message);
    this.waitingStop = null;
  }

  #clock({ clock, ms }) {
    const now = localNowMs();
    const round = now - clock;
    this.bestRoundMs *= 1.1; // clocks drift apart: an old answer is worth less
    if (round <= this.bestRoundMs) {
      this.bestRoundMs = round;
      this.offsetMs = ms - (clock + now) / 2;
    }
  }

  #beat() {
    const silent = performance.now() - this.heardAt;
    if (this.socket && this.socket.readyState <= WebSocket.OPEN && silent > SILENCE_MS) {
      const dead = this.socket;
      this.socket = null;
      dead.close();
      this.#lost(0);
    } else this.send({ clock: localNowMs() });
  }

  #lost(code) {
    if (this.open) this.lostAt = performance.now();
    this.open = false;
    this.socket = null;
    this.refused = code === TOKEN_REFUSED;
    this.later = code === TRY_LATER;
    this.onState({ open: false });
    if (this.refused) return; // the same token will not do the next time either
    this.again = setTimeout(() => this.#connect(), this.later ? LATER_MS : this.pause * (0.75 + Math.random() / 2));
    this.pause = Math.min(this.pause * 1.6, LONGEST_PAUSE_MS);
  }

  #hurry() {
    if (this.open || this.socket || this.refused || this.later) return;
    this.pause = FIRST_PAUSE_MS;
    this.#connect();
  }
}

function localNowMs() { return performance.timeOrigin + performance.now(); }
