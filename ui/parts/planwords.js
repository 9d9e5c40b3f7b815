// @ts-check
// Where the names of loudspeakers and microphones and their times go on the plan, so that none covers another.

import { unit } from '../core/type.js';
import { freePlace } from '../draw/places.js';

/** @typedef {import('../draw/places.js').Box} Box */
/** @typedef {{x: number, y: number, text: string, free: boolean}} Spot middle of a text's base line, CSS pixels; free: it covers nothing */

const LETTER = 8.5; // pixels of the layout, about
const SHORT = [10, 6]; // letters, where there is no room for all of a name
const HALF_PX = { loudspeakers: 13, microphones: 11 };

export class PlanWords {
  #walls;
  /** @type {Box[]} */
  #taken;

  /** @param {Box} walls @param {{kind: 'loudspeakers'|'microphones', at: [number, number]}[]} things none of them is written over */
  constructor(walls, things) {
    this.#walls = walls;
    this.#taken = things.map(({ kind, at: [x, y] }) => ({ left: x - HALF_PX[kind], right: x + HALF_PX[kind], top: y - HALF_PX[kind], bottom: y + HALF_PX[kind] }));
  }

  /** A name beside its thing, cut short if that helps. @param {string} text @param {'loudspeakers'|'microphones'} kind @param {[number, number]} at @returns {Spot} */
  name(text, kind, at) {
    for (const letters of [Infinity, ...SHORT]) {
      if (letters < Infinity && text.length <= letters) continue;
      const spot = this.#beside(letters < text.length ? `${text.slice(0, letters - 1).trimEnd()}…` : text, kind, at);
      if (spot.free) return spot;
    }
    return this.#beside(text, kind, at);
  }

  /** @param {string} text @param {'loudspeakers'|'microphones'} kind @param {[number, number]} at @returns {Spot} */
  #beside(text, kind, [x, y]) {
    const half = halfOf(text);
    const { left, right } = this.#walls;
    const middle = Math.max(left + half, Math.min(right - half, x)); // not through the wall
    const [above, below] = [{ x: middle, y: y - 17 }, { x: middle, y: y + 28 }];
    const [after, before] = [{ x: x + half + 15, y: y + 5 }, { x: x - half - 15, y: y + 5 }];
    const corners = [-14, 25].flatMap((off) => [1, -1].map((side) => ({ x: x + side * (half + 8), y: y + off })));
    return this.#write(text, [...(kind === 'microphones' ? [after, before, below, above] : [above, below, after, before]), ...corners]);
  }

  /** A time along its path, or near one of its ends. @param {string} text @param {[number, number]} from @param {[number, number]} to @returns {Spot} */
  time(text, [x, y], [ex, ey]) {
    const half = halfOf(text);
    const along = [0.5, 0.6, 0.4, 0.7, 0.3].flatMap((part) => [-7, 19].map((off) => ({ x: x + (ex - x) * part, y: y + (ey - y) * part + off })));
    return this.#write(text, [...along, { x, y: y + 28 }, { x: x - half - 18, y: y + 5 }, { x: x + half + 18, y: y + 5 }, { x, y: y - 34 }, { x: ex, y: ey + 28 }, { x: ex, y: ey - 18 }]);
  }

  /** @param {string} text @param {{x: number, y: number}[]} spots @returns {Spot} */
  #write(text, spots) {
    const half = halfOf(text);
    const { place, free } = freePlace(spots.map((spot) => ({ ...spot, box: { left: spot.x - half, right: spot.x + half, top: spot.y - 13 * unit(), bottom: spot.y + 4 * unit() } })), this.#taken, this.#walls);
    return { x: place.x, y: place.y, text, free };
  }
}

/** Half of a text's width, CSS pixels. @param {string} text */
const halfOf = (text) => (text.length * LETTER * unit()) / 2;
