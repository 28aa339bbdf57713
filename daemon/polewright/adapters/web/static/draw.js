// Small tools for the page: elements with attributes, never markup from text.

const SVG = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

export function html(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

/** Put words where they are not yet; true where they were not. */
export function put(element, words) {
  if (element.textContent === words) return false;
  element.textContent = words;
  return true;
}

/** Buttons of which one holds: `list` of [name, value]; `onChoice(value)` at a tap. */
export function choices(holder, list, chosen, onChoice) {
  for (const [name, value] of list) {
    const button = html("button", { type: "button", "aria-pressed": String(value === chosen) }, name);
    button.addEventListener("click", () => {
      for (const other of holder.children) other.setAttribute("aria-pressed", String(other === button));
      onChoice(value);
    });
    holder.append(button);
  }
}

let patterns = 0;
/** Slanted lines, for what is not exactly known. */
export function hatch(spacing = 7) {
  const id = `hatch-${(patterns += 1)}`;
  const pattern = svg("pattern", { id, width: spacing, height: spacing, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
    svg("line", { x1: 0, y1: 0, x2: 0, y2: spacing, class: "d-hatch" }));
  return { defs: svg("defs", {}, pattern), fill: `url(#${id})` };
}

/** An open arrow about a hand's turn; the mount head's is seen from above, so it lies flat. */
export function turnArrow(sense, { flat = false } = {}) {
  const radius = flat ? [26, 12] : [24, 24];
  const sweep = sense === "clockwise" ? 1 : 0;
  const from = sweep ? -140 : -40;
  const to = sweep ? 130 : -310;
  const at = (deg) => [32 + radius[0] * Math.cos((deg * Math.PI) / 180), 32 + radius[1] * Math.sin((deg * Math.PI) / 180)];
  const [x1, y1] = at(from);
  const [x2, y2] = at(to);
  const [bx, by] = at(to - (sweep ? 24 : -24));
  const angle = Math.atan2(y2 - by, x2 - bx);
  const barb = (turn) => `${x2 - 17 * Math.cos(angle + turn)} ${y2 - 17 * Math.sin(angle + turn)}`;
  return svg("svg", { viewBox: "0 0 64 64", "aria-hidden": "true" },
    svg("path", { class: "d-ink", "stroke-width": 6, d: `M${x1} ${y1}A${radius[0]} ${radius[1]} 0 1 ${sweep} ${x2} ${y2}` }),
    svg("path", { class: "d-ink", d: `M${barb(0.55)}L${x2} ${y2}L${barb(-0.55)}` }));
}
