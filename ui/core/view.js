// @ts-check
// What this pair of eyes looks at: the microphones shown, the place of the line, what is lit. Kept in the address.

import * as address from './address.js';

/**
 * What a phrase of the verdict points at.
 * @typedef {{about: string, low?: number, high?: number}} Light
 */

export class View {
  /** Channel of the microphone in front; 0 until the state is known. */
  primary = address.number('mic', 0);
  all = address.text('all', '') === '1';
  /** Hz under the line */
  at = address.number('at', 1000);
  /** @type {Light|null} */
  light = null;
  /** @type {Set<() => void>} */
  #listeners = new Set();

  /** @param {() => void} listener @returns {() => void} */
  onChange(listener) {
    this.#listeners.add(listener);
    return () => this.#listeners.delete(listener);
  }

  /**
   * The microphones drawn, the one in front last, so that it lies on top.
   * @param {number[]} known channels
   */
  shown(known) {
    const primary = this.front(known);
    return this.all ? [...known.filter((c) => c !== primary), primary] : [primary];
  }

  /** The microphone in front among those that exist. @param {number[]} known channels */
  front(known) {
    return known.includes(this.primary) ? this.primary : (known[0] ?? 0);
  }

  /** @param {number} channel */
  setPrimary(channel) {
    this.primary = channel;
    address.set('mic', channel);
    this.#tell();
  }

  /** @param {boolean} all */
  setAll(all) {
    this.all = all;
    address.set('all', all ? 1 : null);
    this.#tell();
  }

  /** @param {number} hz */
  setAt(hz) {
    this.at = hz;
    address.set('at', hz);
    this.#tell();
  }

  /** @param {Light|null} light */
  setLight(light) {
    this.light = light;
    this.#tell();
  }

  #tell() {
    for (const listener of this.#listeners) listener();
  }
}
