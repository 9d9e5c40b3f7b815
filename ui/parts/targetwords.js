// @ts-check
// Where the live trace leaves the band about its target, in words that change when that does, and not with the last digit.

import { fixed, frequency } from '../core/format.js';
import { trusted } from '../draw/trace.js';

/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {{db: number, hz: number, sure: boolean}} Worst */
/** @typedef {{above: Worst|null, below: Worst|null, from: number, to: number}} Judgement from, to: Hz, what could be compared; 0: nothing */

const OCTAVES = 1 / 6; // over which a deviation must last to be told
const CALM_MS = 1000;
const NEWS_DB = 0.3;
const NEWS_OCTAVES = 1 / 6;

/**
 * @param {readonly number[]} grid Hz @param {Curve} live @param {Values} target on the grid @param {number} toleranceDB
 * @returns {Judgement}
 */
export function judge(grid, live, target, toleranceDB) {
  /** @type {Judgement} */
  const out = { above: null, below: null, from: 0, to: 0 };
  const reach = 2 ** (OCTAVES / 2);
  const far = (/** @type {number} */ i) => {
    const [v, t] = [live.mid[i], target[i]];
    return v == null || t == null || !trusted(live, i) ? null : v - t;
  };
  let [first, end] = [0, 0];
  for (let i = 0; i < grid.length; i++) {
    while (grid[first] < grid[i] / reach) first++;
    while (end < grid.length && grid[end] <= grid[i] * reach) end++;
    if (far(i) === null) continue;
    out.from ||= grid[i];
    out.to = grid[i];
    let [sum, n] = [0, 0];
    for (let k = first; k < end; k++) {
      const d = far(k);
      if (d === null) continue;
      sum += d;
      n++;
    }
    const db = sum / n;
    if (Math.abs(db) <= toleranceDB) continue;
    const [mid, low, high] = [live.mid[i], live.low?.[i], live.high?.[i]];
    const half = mid == null || low == null || high == null ? 0 : db > 0 ? mid - low : high - mid;
    const side = db > 0 ? 'above' : 'below';
    if (Math.abs(db) > (out[side]?.db ?? 0)) out[side] = { db: Math.abs(db), hz: grid[i], sure: Math.abs(db) - half > toleranceDB };
  }
  return out;
}

/** @param {Judgement} j @param {number} toleranceDB @param {string} name */
export function words(j, toleranceDB, name) {
  if (!j.from) return `Cannot tell: nothing is trusted where ${name} is. Turn up, or wait.`;
  const tell = (/** @type {Worst} */ w) => `${fixed(w.db, 1)} dB at ${frequency(w.hz)}${w.sure ? '' : ' (likely)'}`;
  const within = `±${fixed(toleranceDB, toleranceDB % 1 ? 1 : 0)} dB`;
  if (j.above && j.below) return `Above the target by ${tell(j.above)}, below it by ${tell(j.below)}; the band is ${within}.`;
  if (j.above) return `Above the target by ${tell(j.above)}; the band is ${within}.`;
  if (j.below) return `Below the target by ${tell(j.below)}; the band is ${within}.`;
  return `Within ${within} of the target from ${frequency(j.from)} to ${frequency(j.to)}.`;
}

/** Keeps what was said while nothing new is to be said. */
export class Calm {
  /** @type {Judgement|null} */
  #said = null;
  #of = '';
  #at = -Infinity;

  /** Is it worth saying? @param {Judgement} j @param {string} of whatever else the words rest on @param {number} nowMs */
  news(j, of, nowMs) {
    if (of === this.#of && this.#said && (nowMs - this.#at < CALM_MS || alike(j, this.#said))) return false;
    this.#said = j;
    this.#of = of;
    this.#at = nowMs;
    return true;
  }
}

/** @param {Judgement} a @param {Judgement} b */
function alike(a, b) {
  const near = (/** @type {number} */ x, /** @type {number} */ y) => (!x || !y ? x === y : Math.abs(Math.log2(x / y)) < NEWS_OCTAVES);
  const same = (/** @type {Worst|null} */ x, /** @type {Worst|null} */ y) => (x && y ? x.sure === y.sure && Math.abs(x.db - y.db) < NEWS_DB && near(x.hz, y.hz) : !x && !y);
  return same(a.above, b.above) && same(a.below, b.below) && near(a.from, b.from) && near(a.to, b.to);
}
