// @ts-check
// Takes laid over each other: shifted, turned, averaged, subtracted.

import { wrapDeg } from './phasor.js';

/** @typedef {import('./types.js').Values} Values */
/** @typedef {import('./types.js').TakeCurve} TakeCurve */
/**
 * A response on the common grid. Phase is after the take's own delay has been taken off.
 * @typedef {{db: Values, low: Values, high: Values, deg: Values, error: Values, coherence: Values, threshold: Values, delayMs: number}} Response
 */
/** @typedef {{offsetDB: number, delayMs: number, opposite: boolean}} Shift what is laid over the take */

const PER_OCTAVE = 48;
/** Hz, from 20 Hz to 20 kHz. */
export const GRID = Object.freeze(Array.from({ length: Math.floor(Math.log2(1000) * PER_OCTAVE) + 1 }, (_, i) => 20 * 2 ** (i / PER_OCTAVE)));
const STEP = 2 ** (0.5 / PER_OCTAVE);

/** @typedef {Pick<TakeCurve, 'frequency_hz'|'magnitude_db'|'magnitude_low_db'|'magnitude_high_db'|'phase_deg'|'phase_error_deg'|'coherence'|'threshold'> & {delay_ms: number|null}} Stored */

/**
 * A stored response on a grid: its nearest point where it has one within half a step, else between its neighbours.
 * @param {Stored} c @param {readonly number[]} [grid] Hz, ascending @returns {Response}
 */
export function onGrid(c, grid = GRID) {
  const hz = c.frequency_hz;
  const last = hz.length - 1;
  /** Below which point each lies, and how far on the way to the next; -1 is outside. @type {[number, number][]} */
  const places = [];
  let k = 0;
  for (const f of grid) {
    while (k < last && hz[k + 1] <= f) k++;
    if (f < hz[0] / STEP || f > hz[last] * STEP) places.push([-1, 0]);
    else if (k === last || f <= hz[k]) places.push([k, 0]);
    else {
      const part = Math.log(f / hz[k]) / Math.log(hz[k + 1] / hz[k]);
      places.push(hz[k + 1] / hz[k] > STEP ? [k, part] : [part < 0.5 ? k : k + 1, 0]);
    }
  }
  const pick = (/** @type {Values} */ v, /** @type {boolean} */ angle = false) => places.map(([i, part]) => {
    const here = i < 0 ? null : (v[i] ?? null);
    const next = part ? (v[i + 1] ?? null) : here;
    if (here === null || next === null) return part < 0.5 ? here : next;
    return angle ? wrapDeg(here + wrapDeg(next - here) * part) : here + (next - here) * part;
  });
  return {
    db: pick(c.magnitude_db), low: pick(c.magnitude_low_db), high: pick(c.magnitude_high_db), deg: pick(c.phase_deg, true), error: pick(c.phase_error_deg),
    // What was imported without coherence is drawn as it is, as is what has no threshold.
    coherence: c.coherence.some((v) => v !== null) ? pick(c.coherence) : [], threshold: pick(c.threshold), delayMs: c.delay_ms ?? 0,
  };
}

/** @param {Response} r @param {Shift} shift @param {number|null} commonMs the delay that the phase is to be after; null: its own @param {readonly number[]} [grid] @returns {Response} */
export function shifted(r, { offsetDB, delayMs, opposite }, commonMs, grid = GRID) {
  const later = delayMs + (commonMs === null ? 0 : r.delayMs - commonMs);
  const up = (/** @type {Values} */ v) => v.map((x) => (x === null ? null : x + offsetDB));
  return {
    ...r, db: up(r.db), low: up(r.low), high: up(r.high),
    deg: r.deg.map((x, i) => (x === null ? null : wrapDeg(x - 0.36 * grid[i] * later + (opposite ? 180 : 0)))),
    delayMs: commonMs ?? r.delayMs,
  };
}

/** Can it join an average? One of complex values needs a phase. @param {Response} r @param {'complex'|'power'} how */
export const joins = (r, how) => how === 'power' || r.deg.some((v) => v !== null);

/**
 * Average of several, where all of them have a value: of the complex values, or of the powers (then without phase).
 * @param {Response[]} all that can join @param {'complex'|'power'} how @returns {Response}
 */
export function average(all, how) {
  const points = all[0]?.db.length ?? 0;
  /** @type {Values} */
  const db = [];
  /** @type {Values} */
  const deg = [];
  for (let i = 0; i < points; i++) {
    let [re, im, power, n] = [0, 0, 0, 0];
    for (const r of all) {
      const [level, angle] = [r.db[i], how === 'power' ? 0 : r.deg[i]];
      if (level === null || angle === null) continue;
      const h = 10 ** (level / 20);
      re += h * Math.cos((angle * Math.PI) / 180);
      im += h * Math.sin((angle * Math.PI) / 180);
      power += h * h;
      n++;
    }
    const whole = n === all.length;
    db.push(!whole ? null : how === 'power' ? 10 * Math.log10(power / n) : 20 * Math.log10(Math.hypot(re, im) / n));
    deg.push(!whole || how === 'power' ? null : (Math.atan2(im, re) * 180) / Math.PI);
  }
  return { ...bare(all), db, deg };
}

/** The first over the second: decibels and degrees apart. @param {Response} a @param {Response} b @returns {Response} */
export function difference(a, b) {
  return {
    ...bare([a, b]),
    db: a.db.map((v, i) => (v === null || b.db[i] === null ? null : v - /** @type {number} */ (b.db[i]))),
    deg: a.deg.map((v, i) => (v === null || b.deg[i] === null ? null : wrapDeg(v - /** @type {number} */ (b.deg[i])))),
  };
}

/** A difference with its interval: the two were measured apart, so their errors have nothing in common. @param {Response} a @param {Response} b @returns {Response} */
export function minus(a, b) {
  const d = difference(a, b);
  const side = (/** @type {number} */ i, /** @type {1|-1} */ way) => {
    const [own, other] = way > 0 ? [a.high[i], b.low[i]] : [a.low[i], b.high[i]];
    const [mid, from] = [a.db[i], b.db[i]];
    const value = d.db[i];
    if (value == null || mid == null || from == null || own == null || other == null) return null;
    return value + way * Math.hypot(own - mid, from - other);
  };
  const error = (/** @type {number} */ i) => (a.error[i] == null || b.error[i] == null ? null : Math.hypot(/** @type {number} */ (a.error[i]), /** @type {number} */ (b.error[i])));
  return { ...d, low: d.db.map((_, i) => side(i, -1)), high: d.db.map((_, i) => side(i, 1)), error: d.deg.map((_, i) => error(i)) };
}

/** How far its coherence is above what counts. @param {Response} r @param {number} i */
function margin(r, i) {
  const [coherence, threshold] = [r.coherence[i], r.threshold[i]];
  return coherence == null || threshold == null ? -Infinity : coherence - threshold;
}

/** Trusted as the least of those that say how far, so where all of them are; without an interval. @param {Response[]} all */
function bare(all) {
  const telling = all.filter((r) => r.coherence.length > 0);
  const worst = telling.length ? telling[0].db.map((_, i) => telling.reduce((a, b) => (margin(b, i) < margin(a, i) ? b : a))) : [];
  return { coherence: worst.map((r, i) => r.coherence[i]), threshold: worst.map((r, i) => r.threshold[i]), low: [], high: [], error: [], delayMs: all[0]?.delayMs ?? 0 };
}
