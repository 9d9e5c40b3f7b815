// @ts-check
// One drawing per screen refresh, whatever asked for it.

import { onInk } from '../core/theme.js';

export class Painter {
  #paint;
  #request = 0;
  #off;

  /** @param {import('../core/session.js').Session} session @param {import('../core/view.js').View} view @param {() => void} paint @param {boolean} [live] what is drawn comes with the frames */
  constructor(session, view, paint, live = true) {
    this.#paint = paint;
    // A frame arrives inside an animation frame already; what was asked for before is in it.
    this.#off = [live ? session.on('frame', () => this.#now()) : () => {}, view.onChange(() => this.request()), onInk(() => this.request())];
  }

  request() {
    if (!this.#request) this.#request = requestAnimationFrame(() => this.#now());
  }

  close() {
    cancelAnimationFrame(this.#request);
    for (const off of this.#off) off();
  }

  #now() {
    cancelAnimationFrame(this.#request);
    this.#request = 0;
    this.#paint();
  }
}
