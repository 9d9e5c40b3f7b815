// @ts-check
// What a phrase of the verdict points at, on the frequency axis: the trusted and the known bands, those that prove the
// polarity, the notches of the comb.

import { nearest } from './chart.js';
import { CURVE } from '../core/frames.js';
import { currentInk } from '../core/theme.js';
import { trusted } from '../draw/trace.js';
import { arrivals } from './arrivals.js';

/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/frames.js').Frame} Frame */

const MOST_NOTCHES = 12;
const KNOWN_DB = 1; // what is known to that is good enough to equalise by, as the sentence says

/**
 * @param {Surface} s
 * @param {string} about
 * @param {'magnitude'|'phase'} plot
 * @param {Curve} curve of the microphone in front
 * @param {Frame} frame
 * @param {number} channel
 * @param {number[]} grid Hz
 */
export function paintLight(s, about, plot, curve, frame, channel, grid) {
  const magnitude = plot === 'magnitude';
  s.ctx.fillStyle = s.ctx.strokeStyle = currentInk().ink;
  s.ctx.globalAlpha = 0.13;
  if (about === 'trusted' || (about === 'level' && magnitude)) {
    trustedBands(s, curve);
  } else if (about === 'known' && magnitude) {
    bands(s, curve, (i) => Math.abs((curve.high?.[i] ?? Infinity) - (curve.low?.[i] ?? -Infinity)) <= 2 * KNOWN_DB);
  } else if (about === 'polarity') {
    if (!polarityBands(s, frame.curve(channel, CURVE.polarityBands))) trustedBands(s, curve);
  } else if (about === 'comb' && magnitude) {
    s.ctx.globalAlpha = 0.6;
    s.ctx.lineWidth = s.ratio;
    s.ctx.beginPath();
    for (const hz of dips(notches(frame, channel), grid, curve.mid)) {
      s.ctx.moveTo(s.x(hz), s.box.top);
      s.ctx.lineTo(s.x(hz), s.box.top + s.box.height);
    }
    s.ctx.stroke();
  }
  s.ctx.globalAlpha = 1;
}

/** @param {Surface} s @param {Curve} curve */
function trustedBands(s, curve) {
  bands(s, curve, (i) => trusted(curve, i));
}

/** @param {Surface} s @param {Curve} curve @param {(i: number) => boolean} good */
function bands(s, curve, good) {
  const { mid, xs } = curve;
  const counts = (/** @type {number} */ i) => mid[i] !== null && good(i);
  for (let i = 0; i < mid.length; i++) {
    if (!counts(i)) continue;
    const from = i;
    while (i + 1 < mid.length && counts(i + 1)) i++;
    s.ctx.fillRect(xs[from], s.box.top, xs[i] - xs[from], s.box.height);
  }
}

/** @param {Surface} s @param {import('../core/types.js').Values} bands low, high, sign, confidence of each */
function polarityBands(s, bands) {
  let any = false;
  for (let k = 0; k + 3 < bands.length; k += 4) {
    const [low, high, sign] = bands.slice(k, k + 3);
    if (!low || !high || !sign) continue;
    any = true;
    s.ctx.fillRect(s.x(low), s.box.top, s.x(high) - s.x(low), s.box.height);
  }
  return any;
}

/**
 * Where the two strongest arrivals cancel: at odd multiples of half the inverse of their distance in time, or,
 * where one is of opposite polarity, at the multiples of the inverse itself. Unknown where a polarity is.
 * @param {Frame} frame @param {number} channel
 */
export function notches(frame, channel) {
  const [a, b] = arrivals(frame, channel).sort((x, y) => y.level - x.level);
  if (!a || !b || !a.sign || !b.sign) return [];
  const apart = Math.abs(a.delay - b.delay) / 1000;
  const opposite = a.sign * b.sign < 0;
  return Array.from({ length: MOST_NOTCHES }, (_, k) => (opposite ? k + 1 : k + 0.5) / apart).filter((hz) => hz <= 20000);
}

const LEAST_DIP_DB = 2; // under what lies to both sides of it

/**
 * Where the curve dips near the notches that two arrivals alone would have: reflections and the boxes' own phase move
 * them. A notch without a dip is left out.
 * @param {number[]} hz of the notches, ascending @param {number[]} grid Hz @param {import('../core/types.js').Values} db
 */
export function dips(hz, grid, db) {
  if (!hz.length || !grid.length) return [];
  const apart = hz.length > 1 ? hz[1] - hz[0] : hz[0];
  const at = (/** @type {number} */ i) => db[i] ?? Infinity;
  return hz.flatMap((notch) => {
    const [from, to] = [nearest(grid, Math.max(grid[0], notch - apart / 2)), nearest(grid, notch + apart / 2)];
    const near = [nearest(grid, Math.max(grid[0], notch - apart / 4)), nearest(grid, notch + apart / 4)];
    let low = near[0];
    for (let i = near[0]; i <= near[1]; i++) if (at(i) < at(low)) low = i;
    const top = (/** @type {number} */ a, /** @type {number} */ b) => Math.max(...db.slice(a, b + 1).map((v) => v ?? -Infinity));
    return Math.min(top(from, low), top(low, to)) >= at(low) + LEAST_DIP_DB ? [grid[low]] : [];
  });
}
