// How bright this screen is; the choice stays in this browser.

export const LIGHTS = [["bright red", "255"], ["red", "208"], ["dim red", "140"], ["faint red", "84"], ["day", "day"]];

/** The level that was chosen the last time. */
export function lastLight() { return recall("light") ?? "255"; }

/** Show a level of light. */
export function setLight(value) {
  const root = document.documentElement;
  const day = value === "day";
  root.classList.toggle("day", day);
  root.classList.toggle("night", !day);
  if (day) for (const name of ["--ink", "--line"]) root.style.removeProperty(name);
  else {
    root.style.setProperty("--ink", `rgb(${value} 0 0)`);
    root.style.setProperty("--line", `rgb(${Math.round(value * 0.82)} 0 0)`);
  }
  document.querySelector('meta[name="theme-color"]').content = day ? "#faf7ef" : "#000000";
  document.querySelector('meta[name="color-scheme"]').content = day ? "light" : "dark";
}

export function keep(key, value) {
  try { localStorage.setItem(`polewright-${key}`, value); } catch { /* private mode: for this time only */ }
}

export function recall(key) {
  try { return localStorage.getItem(`polewright-${key}`); } catch { return null; }
}
