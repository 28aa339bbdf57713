// One bolt from the side: a threaded rod, a nut that has to run into a collar.
// From mark to mark it is so many turns, or an angle while turns are not known.  The hatching about
// the nut, to its end strokes, is what is not known of its place (two sigma of the whole error); the
// collar is the room that the tolerance leaves for this bolt.  The service computes both so that
// hatching inside both collars and "good enough" are the same; only then is a nut filled.

import { hatch, svg } from "./draw.js";

const PITCH = 30;
const NUT = 15; // half its thickness
const SHORTEST = 290;
const MOST_THREADS = 4;
const STEPS_ARCMIN = [0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60, 120, 300];
const STEPS_TURNS = [1 / 16, 1 / 8, 1 / 4, 1 / 2, 1, 2, 5, 10, 25];
const SHARES = new Map([[1 / 16, "1/16"], [1 / 8, "1/8"], [1 / 4, "1/4"], [1 / 2, "1/2"]]);

export class BoltDrawing {
  constructor(holder, { upright }) {
    this.upright = upright;
    this.holder = holder;
    this.step = null;
    this.unit = null;
    this.last = null;
    this.picture = svg("svg", { "aria-hidden": "true", preserveAspectRatio: "xMidYMid meet" });
    holder.append(this.picture);
    // The drawing is made as long as its place, so that threads and nut keep their size.
    new ResizeObserver(() => this.last && this.#render()).observe(holder);
  }

  /** `amountArcmin` and `side` say where the nut is, null: nothing is known; `home`: good enough. Returns the scale in words. */
  show(state) {
    this.last = state;
    return this.#render();
  }

  #scale() {
    const { amountArcmin, turns, roomArcmin, marginArcmin } = this.last;
    const known = turns !== null && Math.abs(turns) > 0.004 && amountArcmin > 0;
    const perArcmin = known ? Math.abs(turns) / amountArcmin : 1;
    const steps = known ? STEPS_TURNS : STEPS_ARCMIN;
    const unit = known ? "turn" : "arcmin";
    const distance = amountArcmin * perArcmin;
    // The collar and the hatching must have room, too.
    const room = Math.max(distance + (marginArcmin ?? 0) * perArcmin, (roomArcmin ?? 0) * perArcmin);
    const fits = (step) => room <= MOST_THREADS * step;
    const keep = this.unit === unit && this.step !== null && room <= (MOST_THREADS + 0.4) * this.step && room > 0.9 * this.step;
    if (!keep) { this.step = steps.find(fits) ?? steps.at(-1); this.unit = unit; }
    return { perArcmin, threads: Math.min(distance / this.step, MOST_THREADS + 0.6) };
  }

  #render() {
    const box = this.holder.getBoundingClientRect();
    const long = Math.max(this.upright ? box.height : box.width, 160);
    const across = 104;
    // As large as its place lets it be, with room for all threads.
    const zoom = Math.min(2.2, Math.max(0.5, Math.min((this.upright ? box.width : box.height) / across, long / SHORTEST)));
    const length = long / zoom;
    const half = length / 2;
    const pitch = Math.min(PITCH, (half - NUT - 12) / (MOST_THREADS + 0.6));
    this.picture.setAttribute("viewBox", this.upright
      ? `${-across / 2} ${-half} ${across} ${length}` : `${-half} ${-across / 2} ${length} ${across}`);
    const all = svg("g", this.upright ? { transform: "rotate(-90)" } : {});
    all.append(...rod(half, pitch));
    const { amountArcmin, side, roomArcmin, marginArcmin, home, still } = this.last;
    if (amountArcmin === null) {
      all.append(...collar(NUT + 6));
      this.picture.replaceChildren(all);
      return "";
    }
    const { perArcmin, threads } = this.#scale();
    const px = (arcmin) => (arcmin * perArcmin * pitch) / this.step;
    if (roomArcmin !== null) all.append(...collar(Math.min(px(roomArcmin) + NUT + 1, half - 14)));
    const at = side * threads * pitch;
    const unsure = Math.min(px(marginArcmin ?? 0), half);
    if (!home && !still) all.append(...chevrons(at, side));
    all.append(nut(at, unsure, home));
    this.picture.replaceChildren(all);
    const size = this.unit === "turn"
      ? `${SHARES.get(this.step) ?? this.step} turn${this.step > 1 ? "s" : ""}`
      : this.step >= 60 ? `${this.step / 60} deg` : this.step >= 1 ? `${this.step} arcmin` : `${Math.round(this.step * 60)} arcsec`;
    return `marks ${size} apart`;
  }
}

function rod(half, pitch) {
  const end = half - 4;
  const parts = [svg("rect", { class: "d-body", x: -end, y: -13, width: 2 * end, height: 26, rx: 3 })];
  let path = "";
  for (let k = -Math.floor((end - 6) / pitch); k * pitch < end - 4; k += 1) {
    path += `M${k * pitch - pitch / 2 + 3} 16L${k * pitch + pitch / 2 - 9} -16`;
  }
  parts.push(svg("path", { class: "d-line", d: path }));
  return parts;
}

/** A yoke about the rod, above and below it: the nut must come to stand between its ends. */
function collar(width) {
  const w = width + 7;
  const half = (sign) => `M${-w} ${sign * 33}V${sign * 50}H${w}V${sign * 33}h-7V${sign * 43}H${-w + 7}V${sign * 33}z`;
  return [svg("path", { class: "d-collar", d: half(1) + half(-1) })];
}

/** Arrow heads on the free rod between nut and collar: which way the nut has to run. */
function chevrons(at, side) {
  const gap = Math.abs(at) - NUT - 4;
  const count = Math.max(0, Math.min(3, Math.floor(gap / 16)));
  const path = [];
  for (let k = 0; k < count; k += 1) {
    const x = at - side * (NUT + 8 + k * 16);
    path.push(`M${x} -10L${x - side * 10} 0L${x} 10`);
  }
  return path.length ? [svg("path", { class: "d-ink", d: path.join("") })] : [];
}

function nut(at, unsure, filled) {
  const body = svg("path", { class: `d-nut${filled ? " d-nut-full" : ""}`,
    d: `M${-NUT} -25l5 -6h${2 * NUT - 10}l5 6v50l-5 6h${-2 * NUT + 10}l-5 -6z` });
  const faces = svg("path", { class: "d-face", d: `M${-NUT} -11h${2 * NUT}M${-NUT} 11h${2 * NUT}` });
  const place = svg("g", { transform: `translate(${at} 0)` });
  if (unsure > 1) {
    const { defs, fill } = hatch(6);
    const end = NUT + unsure;
    place.append(defs, svg("rect", { x: -end, y: -20, width: 2 * end, height: 40, fill }),
      svg("path", { class: "d-reach", d: `M${-end} -29V29M${end} -29V29` }));
  }
  place.append(body, faces);
  return place;
}
