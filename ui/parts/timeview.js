// @ts-check
// Which time is looked at, and where the plumb line hangs in it. Kept in the address, as seconds since 1970.

import * as address from '../core/address.js';
import { within } from '../draw/gestures.js';

/** @typedef {[number, number]} Range */

export const SHORTEST_S = 30;
const LONGEST_S = 7 * 86400;
const AHEAD = 0.02; // of the span is kept free at the right, so that the newest is not at the very edge

export class TimeView {
  span = clamp(address.number('span', 600));
  /** Right edge; null follows the time. @type {number|null} */
  until = address.number('until', 0) || null;
  /** Where the line hangs; null is the newest. @type {number|null} */
  line = address.number('t', 0) || null;
  #onChange;

  /** @param {() => void} onChange */
  constructor(onChange) {
    this.#onChange = onChange;
  }

  /** @param {number} now @returns {Range} */
  range(now) {
    const to = this.until ?? now + AHEAD * this.span;
    return [to - this.span, to];
  }

  /** @param {Range} wanted @param {number} now */
  set(wanted, now) {
    const width = clamp(wanted[1] - wanted[0]);
    const middle = (wanted[0] + wanted[1]) / 2;
    const [, to] = within([middle - width / 2, middle + width / 2], [now - LONGEST_S, now + AHEAD * width], width, false);
    this.span = width;
    this.until = to > now ? null : to;
    this.#write();
  }

  /** The last so many seconds, and on with the time. @param {number} span */
  follow(span) {
    this.span = clamp(span);
    this.until = null;
    this.line = null;
    this.#write();
  }

  /** @param {number|null} unixS */
  point(unixS) {
    this.line = unixS;
    this.#write();
  }

  /** Brings a moment into view with the line on it. @param {number} unixS @param {number} now */
  show(unixS, now) {
    const [from, to] = this.range(now);
    this.line = unixS;
    if (unixS < from + 0.05 * this.span || unixS > to) this.until = Math.min(unixS + this.span / 2, now);
    this.#write();
  }

  #write() {
    address.set('span', this.span === 600 ? null : String(Math.round(this.span)));
    address.set('until', this.until === null ? null : String(Math.round(this.until)));
    address.set('t', this.line === null ? null : String(Math.round(this.line)));
    this.#onChange();
  }
}

/** @param {number} s */
function clamp(s) {
  return Math.min(LONGEST_S, Math.max(SHORTEST_S, s));
}
