// @ts-check
// The arrivals of a frame.

import { CURVE } from '../core/frames.js';

/**
 * place: in the frame, from 1, as the verdict's phrases name it; delay and sd: ms; level: dB re the strongest; sign: +1, −1 or 0
 * @typedef {{place: number, delay: number, sd: number|null, level: number, sign: number}} Arrival
 */

const WITHIN_DB = 10;
const APART_MS = 0.1;

/** All that were found, earliest first. @param {import('../core/frames.js').Frame} frame @param {number} channel @returns {Arrival[]} */
export function allArrivals(frame, channel) {
  const sd = frame.curve(channel, CURVE.arrivalDelaySd);
  const level = frame.curve(channel, CURVE.arrivalLevel);
  const sign = frame.curve(channel, CURVE.arrivalSign);
  return frame.curve(channel, CURVE.arrivalDelay).map((d, k) => ({ place: k + 1, delay: d ?? 0, sd: sd[k], level: level[k] ?? 0, sign: sign[k] ?? 0 }));
}

/**
 * Those that matter: loud enough to be heard as a comb, and far enough from the one before to be another.
 * @param {import('../core/frames.js').Frame} frame @param {number} channel @returns {Arrival[]}
 */
export function arrivals(frame, channel) {
  /** @type {Arrival[]} */
  const kept = [];
  for (const a of allArrivals(frame, channel)) {
    const last = kept[kept.length - 1];
    if (a.level >= -WITHIN_DB && !(last && a.delay - last.delay < APART_MS)) kept.push(a);
  }
  return kept;
}

/**
 * Is an arrival the one that a phrase of the verdict names? Near ones are one to the eye.
 * @param {import('../core/frames.js').Frame} frame @param {number} channel @param {Arrival} a @param {string|undefined} about
 */
export function isNamed(frame, channel, a, about) {
  const place = /^arrival:(\d+)$/.exec(about ?? '')?.[1];
  const delay = frame.curve(channel, CURVE.arrivalDelay)[Number(place) - 1];
  return typeof delay === 'number' && Math.abs(a.delay - delay) < APART_MS;
}
