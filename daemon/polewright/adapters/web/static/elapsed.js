// Time that goes on while a phone sleeps: the browser's own count may stand still then.

const STEP_MS = 1500;
let slept = 0;
let before = Date.now() - performance.now();

/** Seconds that never go back; a clock that is set forward makes figures look older, never newer. */
export function nowS() {
  const lead = Date.now() - performance.now();
  if (lead - before > STEP_MS) slept += lead - before;
  before = lead;
  return (performance.now() + slept) / 1000;
}
