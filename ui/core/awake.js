// @ts-check
// A phone that locks ends the sound that its page holds: while there is one the screen stays on, where the browser
// lets pages ask for that (encrypted ones, and this computer's).

export class Awake {
  /** @type {WakeLockSentinel|null} */
  #lock = null;
  #wanted = false;

  /** @param {boolean} on */
  keep(on) {
    if (on === this.#wanted) return;
    this.#wanted = on;
    if (on) void this.#hold();
    else this.#leave();
  }

  async #hold() {
    const lock = await navigator.wakeLock?.request('screen').catch(() => null); // a low battery, or nobody looks
    if (!lock) return;
    this.#lock = lock;
    if (!this.#wanted) this.#leave();
  }

  #leave() {
    void this.#lock?.release();
    this.#lock = null;
  }
}
