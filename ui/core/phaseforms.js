// @ts-check
// Phase as it is looked at: unwrapped, and as group delay.

import { wrapDeg } from './phasor.js';
import { Ties } from './ties.js';

/** @typedef {import('./types.js').Values} Values */
/** @typedef {import('./ties.js').Resolution} Resolution */

const SLOPE_OCTAVES = 1 / 3; // over which a slope is fitted
const LEAST_POINTS = 4;
const MOST_POINTS = 32;
const LEAST_ERROR_DEG = 0.02;
const FALSE_TRUST = 0.01; // chance of the daemon's threshold
const BEYOND_CHANCE = 3; // standard deviations

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
 * Group delay, −dφ/dω in ms, over a third of an octave: the slope b = Σ w·x·φ / Σ w·x² of a straight line through the
 * trusted phases φ there, with weights w = 1/e² of their errors e and x the frequency from its weighted mean (weighted
 * least squares; Draper and Smith, Applied Regression Analysis, 3rd ed., ch. 9). Its 95 % interval is what the errors make
 * of that sum, those of neighbours going together as the window and the smoothing tie them (ρ, see Ties):
 *
 *   half² = Σⱼ Σₖ aⱼ·aₖ·ρⱼₖ / (Σ w·x²)²,  a = x/e
 *
 * times (t(νκ)/t(ν))², since the line rests on κ independent estimates of error of ν degrees of freedom and a point on
 * one; times 1 + (1−3/κ)·4/ν for the weights, which are made of these estimates (after Meier, Biometrics 9, 1953, for a
 * mean, as remembered); and wider by as much as the phases stray from the line more than three deviations beyond chance.
 * @param {readonly number[]} hz @param {Values} turnless of unwrapped @param {Values} error half a 95 % interval, degrees; without any there is no interval
 * @param {(i: number) => boolean} trusted @param {Values} threshold of coherence, which says ν @param {Resolution} resolution
 * @returns {{mid: Values, low?: Values, high?: Values}}
 */
export function groupDelay(hz, turnless, error, trusted, threshold, resolution) {
  const reach = 2 ** (SLOPE_OCTAVES / 2);
  const ties = new Ties(hz, resolution);
  // 1/e; 0 is left out.
  const sure = Float64Array.from(hz, (f, k) => (turnless[k] === null || !trusted(k) || !ties.whole(f) ? 0 : 1 / Math.max(LEAST_ERROR_DEG, error[k] ?? 180)));
  /** @type {Values} */
  const mid = hz.map(() => null);
  const low = [...mid];
  const high = [...mid];
  const at = new Int32Array(MOST_POINTS + 1);
  const lean = new Float64Array(MOST_POINTS + 1);
  let [first, end] = [0, 0];
  for (let i = 0; i < hz.length; i++) {
    while (hz[first] < hz[i] / reach) first++;
    while (end < hz.length && hz[end] <= hz[i] * reach) end++;
    // Of a dense grid some points say what all would.
    const stride = Math.ceil((end - first) / MOST_POINTS);
    let [w, f, p, n, doubt, all] = [0, 0, 0, 0, 0, 0];
    for (let k = first; k < end; k += stride, all++) {
      if (!sure[k]) continue;
      const weight = sure[k] ** 2;
      w += weight;
      f += weight * hz[k];
      p += weight * /** @type {number} */ (turnless[k]);
      doubt += oneOverFreedom(threshold[k]);
      at[n++] = k;
    }
    // A line that leans on one side only says nothing of the middle, and of few that are trusted most are so by chance.
    if (turnless[i] === null || n < Math.max(LEAST_POINTS, all / 2) || hz[at[0]] > hz[i] || hz[at[n - 1]] < hz[i] || hz[at[n - 1]] / hz[at[0]] < reach) continue;
    f /= w;
    p /= w;
    doubt /= n;
    let [xx, xp, pp] = [0, 0, 0];
    for (let j = 0; j < n; j++) {
      const k = at[j];
      const [x, y] = [sure[k] * (hz[k] - f), sure[k] * (/** @type {number} */ (turnless[k]) - p)];
      xx += x * x;
      xp += x * y;
      pp += y * y;
      lean[j] = x;
    }
    const table = ties.about(i, stride);
    // What the errors make of the slope, and of the mean.
    let [slope, mean, tied] = [xx, w, 1];
    for (let j = 0; j < n; j++) {
      for (let l = j - 1; l >= 0; l--) {
        const apart = (at[j] - at[l]) / stride;
        if (apart >= table.length) break;
        slope += 2 * lean[j] * lean[l] * table[apart];
        mean += 2 * sure[at[j]] * sure[at[l]] * table[apart];
      }
    }
    for (let apart = 1; apart < table.length; apart++) tied += 2 * table[apart] ** 2;
    const alone = Math.max(2, n / tied); // κ
    const freedom = alone / doubt;
    const stray = Math.max(0, pp - (xp * xp) / xx) * student975(1 / doubt) ** 2;
    const due = Math.max(0.5, n - mean / w - slope / xx);
    const wider = Math.max(1, stray / due / byChance(due / tied)) * (1 + 4 * doubt * Math.max(0, 1 - 3 / alone)) * (student975(freedom) / student975(1 / doubt)) ** 2;
    const ms = -xp / xx / 0.36;
    const half = Math.sqrt(Math.max(0, slope) * wider) / xx / 0.36;
    mid[i] = ms;
    low[i] = ms - half;
    high[i] = ms + half;
  }
  return error.some((e) => e !== null) ? { mid, low, high } : { mid };
}

/** One over the degrees of freedom, 2n − 2, of an error from n averages, which a threshold 1 − α^(1/(n−1)) tells of (Carter, Knapp and Nuttall 1973). @param {number|null} threshold */
const oneOverFreedom = (threshold) => (threshold == null ? 0 : Math.min(0.5, Math.log1p(-Math.min(0.9999, threshold)) / Math.log(FALSE_TRUST) / 2));

/** The 97.5 % quantile of Student's t (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5). @param {number} v degrees of freedom */
function student975(v) {
  const z = 1.959964;
  return z + (z ** 3 + z) / (4 * v) + (5 * z ** 5 + 16 * z ** 3 + 3 * z) / (96 * v ** 2) + (3 * z ** 7 + 19 * z ** 5 + 17 * z ** 3 - 15 * z) / (384 * v ** 3);
}

/** What χ²/v stays below, BEYOND_CHANCE deviations up (Wilson and Hilferty 1931; Abramowitz and Stegun, 26.4.17). @param {number} v degrees of freedom */
function byChance(v) {
  const spread = 2 / (9 * Math.max(0.5, v));
  return (1 - spread + BEYOND_CHANCE * Math.sqrt(spread)) ** 3;
}
