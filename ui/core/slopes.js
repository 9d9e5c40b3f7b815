// @ts-check
// The phases of two loudspeakers over a narrow overlap, and the straight lines through them: their slopes are
// group delays, and lie on each other when the two run together.

import { wrapDeg } from './phasor.js';

/** @typedef {import('./types.js').Complex} Complex */
/** @typedef {import('./phasor.js').Setting} Setting */
/** @typedef {{hz: number[], mid: (number|null)[], low: (number|null)[], high: (number|null)[], straight: number[], ms: number}} Run degrees, unwrapped along the line of group delay ms */

/**
 * The phase of one response over a band, under a setting, along the line of its group delay; a delay that both have
 * in common is taken out.
 * @param {number[]} hz ascending @param {Complex} h @param {[number, number]} band @param {number} ms group delay today
 * @param {Setting} x of this loudspeaker @param {number} commonMs
 * @returns {Run}
 */
export function run(hz, h, band, ms, x, commonMs) {
  /** @type {Run} */
  const out = { hz: [], mid: [], low: [], high: [], straight: [], ms: ms + x.delayMs - commonMs };
  const turned = x.sign < 0 ? 180 : 0;
  const strays = [];
  let [re, im] = [0, 0];
  for (let i = 0; i < hz.length; i++) {
    if (hz[i] < band[0] || hz[i] > band[1]) continue;
    const [a, b] = [h.re[i], h.im[i]];
    out.hz.push(hz[i]);
    if (a === null || b === null) {
      strays.push({ deg: null, half: null });
      continue;
    }
    const deg = (Math.atan2(b, a) * 180) / Math.PI + 0.36 * hz[i] * ms + turned;
    const error = h.error[i] ?? 1;
    strays.push({ deg, half: error < 1 ? (Math.asin(error) * 180) / Math.PI : 180 });
    re += Math.cos((deg * Math.PI) / 180);
    im += Math.sin((deg * Math.PI) / 180);
  }
  const height = (Math.atan2(im, re) * 180) / Math.PI;
  strays.forEach(({ deg, half }, k) => {
    const line = height - 0.36 * out.hz[k] * out.ms;
    out.straight.push(line);
    const mid = deg === null ? null : line + wrapDeg(deg - height);
    out.mid.push(mid);
    out.low.push(mid === null || half === null ? null : mid - half);
    out.high.push(mid === null || half === null ? null : mid + half);
  });
  return out;
}

/** Moves a run up by so many degrees. @param {Run} r @param {number} deg */
function lift(r, deg) {
  for (const list of [r.mid, r.low, r.high, r.straight]) list.forEach((v, i) => (list[i] = v === null ? /** @type {any} */ (null) : v + deg));
  return r;
}

/** The line of the first of them at 0°, and those of the others by whole turns nearest to it in the middle. @param {Run} a @param {Run[]} others */
export function level(a, ...others) {
  const k = a.hz.length >> 1;
  const zero = a.straight[k] ?? 0;
  lift(a, -zero);
  for (const r of others) lift(r, -zero - 360 * Math.round(((r.straight[k] ?? 0) - zero) / 360));
}
