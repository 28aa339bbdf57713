// Keeps the screen awake while the page is looked at.

export class Awake {
  constructor(onWords) {
    this.onWords = onWords;
    this.wanted = false;
    this.lock = null;
    document.addEventListener("visibilitychange", () => { if (!document.hidden) this.#take(); });
  }

  setWanted(wanted) {
    this.wanted = wanted;
    if (!wanted) { this.lock?.release(); this.lock = null; this.onWords("The screen may go dark by itself."); return; }
    this.#take();
  }

  async #take() {
    if (!this.wanted || this.lock) return;
    if (!("wakeLock" in navigator)) {
      this.onWords(window.isSecureContext
        ? "This browser cannot keep the screen awake: set a long screen time-out."
        : "Browsers keep the screen awake only over https or on this machine itself: set a long screen time-out, or give [page] a certificate.");
      return;
    }
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.lock.addEventListener("release", () => { this.lock = null; });
      this.onWords("The screen stays awake while this page is in front.");
    } catch {
      this.onWords("The screen cannot be kept awake now (a low battery, perhaps): set a long screen time-out.");
    }
  }
}
