// @ts-check
// Third octaves as rows of an axis.

import { frequencyTick } from '../core/format.js';

/** @typedef {[number, number]} Range */

/** Third octaves from 16 Hz to 20 kHz (IEC 61260-1), until the log says which. */
export const ROWS = 32;
const FIRST_BAND = 12; // 10^(12/10) Hz

/** Place of a frequency among the rows of third octaves; row 0 is 16 Hz. @param {number} hz */
export const rowOf = (hz) => 10 * Math.log10(hz) - FIRST_BAND;
/** Middle of a row, base-ten as in IEC 61260-1. @param {number} row */
export const rowMidHz = (row) => 10 ** ((row + FIRST_BAND) / 10);
/** The rows' axis, for the picture and for what stands beside it. @type {Range} */
export const ROW_RANGE = [-0.5, ROWS - 0.5];
const OCTAVES = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000];
/** @param {number} _lo @param {number} _hi @param {number} pixels */
export const rowSplits = (_lo, _hi, pixels) => OCTAVES.map(rowOf).filter((_, k) => pixels > 170 || k % 2 === 1);
/** @param {number} row */
export const rowTick = (row) => frequencyTick(OCTAVES.find((hz) => Math.abs(rowOf(hz) - row) < 0.3) ?? Math.round(rowMidHz(row)));
