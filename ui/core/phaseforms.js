// @ts-check
// Phase as it is looked at: unwrapped, and as group delay.

import { wrapDeg } from './phasor.js';

/** @typedef {import('./types.js').Values} Values */

const SLOPE_OCTAVES = 1 / 3; // over which a slope is fitted
const LEAST_POINTS = 4;
const MOST_POINTS = 32;
const HANN_POINTS = 3; // neighbours at 48 points an octave that share what a window hears
const LEAST_ERROR_DEG = 0.02;

/**
 * The phase without its turns: each trusted point lies within half a turn of the trusted one before it. Turns are
 * counted from the middle of the longest trusted stretch, which keeps its own.
 * @param {Values} deg wrapped @param {(i: number) => boolean} trusted @returns {Values}
 */
export function unwrapped(deg, trusted) {
  const n = deg.length;
  const counts = (/** @type {number} */ i) => deg[i] !== null && trusted(i);
  let [best, from, length] = [-1, 0, 0];
  for (let i = 0; i <= n; i++) {
    if (i < n && counts(i)) continue;
    if (i - from > length) {
      length = i - from;
      best = from + (length >> 1);
    }
    from = i + 1;
  }
  /** @type {Values} */
  const out = deg.map(() => null);
  if (best < 0) return out;
  for (const step of [1, -1]) {
    let last = /** @type {number} */ (deg[best]);
    for (let i = best; i >= 0 && i < n; i += step) {
      const v = deg[i];
      if (v === null) continue;
      out[i] = last + wrapDeg(v - last);
      if (counts(i)) last = /** @type {number} */ (out[i]);
    }
  }
  return out;
}

/**
 * Group delay, −dφ/dω in ms: the slope of a straight line through the trusted phases of a third of an octave,
 * weighted by their errors (Draper and Smith, Applied Regression Analysis, ch. 1 and 9). Its 95 % interval counts
 * neighbours that the window or the smoothing ties together once, and grows where the phases stray from the line by
 * more than their own errors.
 * @param {readonly number[]} hz @param {Values} turnless of unwrapped @param {Values} error half a 95 % interval, degrees @param {(i: number) => boolean} trusted
 * @param {number} smoothing of an octave
 * @returns {{mid: Values, low: Values, high: Values}}
 */
export function groupDelay(hz, turnless, error, trusted, smoothing) {
  const reach = 2 ** (SLOPE_OCTAVES / 2);
  /** @type {{mid: Values, low: Values, high: Values}} */
  const out = { mid: [], low: [], high: [] };
  const weight = Float64Array.from(hz, (_, k) => (turnless[k] === null || !trusted(k) ? 0 : 1 / Math.max(LEAST_ERROR_DEG, error[k] ?? 180) ** 2));
  let [first, end] = [0, 0];
  for (let i = 0; i < hz.length; i++) {
    while (hz[first] < hz[i] / reach) first++;
    while (end < hz.length && hz[end] <= hz[i] * reach) end++;
    // Of a dense grid some points say what all would.
    const stride = Math.ceil((end - first) / MOST_POINTS);
    let [w, f, p, n, low, high] = [0, 0, 0, 0, Infinity, 0];
    for (let k = first; k < end; k += stride) {
      if (!weight[k]) continue;
      w += weight[k];
      f += weight[k] * hz[k];
      p += weight[k] * /** @type {number} */ (turnless[k]);
      n++;
      low = Math.min(low, hz[k]);
      high = Math.max(high, hz[k]);
    }
    // A line that leans on one side only says nothing of the middle.
    if (turnless[i] === null || n < LEAST_POINTS || low > hz[i] || high < hz[i] || high / low < reach) {
      out.mid.push(null);
      out.low.push(null);
      out.high.push(null);
      continue;
    }
    f /= w;
    p /= w;
    let [ff, fp, pp] = [0, 0, 0];
    for (let k = first; k < end; k += stride) {
      if (!weight[k]) continue;
      const [x, y] = [hz[k] - f, /** @type {number} */ (turnless[k]) - p];
      ff += weight[k] * x * x;
      fp += weight[k] * x * y;
      pp += weight[k] * y * y;
    }
    const stray = Math.max(0, pp - (fp * fp) / ff);
    const tied = Math.max(1, HANN_POINTS / stride, n / Math.log2(high / low) / smoothing);
    // error is twice a standard deviation, so is what comes of it.
    const half = Math.sqrt((tied / ff) * Math.max(1, (4 * stray) / (n - 2)));
    const ms = -fp / ff / 0.36;
    out.mid.push(ms);
    out.low.push(ms - half / 0.36);
    out.high.push(ms + half / 0.36);
  }
  return out;
}
