// @ts-check
// The level log of one microphone at one resolution, as columns in a ring; the bands also as a picture.

import { HeatRing } from './heat.js';

/** @typedef {import('../core/types.js').LevelHistory} LevelHistory */
/** @typedef {import('../core/types.js').LevelHistoryChannel} LevelHistoryChannel */

const COLUMNS = 4096;

export class LevelColumns {
  step;
  microphone;
  laeq = new Float32Array(COLUMNS);
  lceq = new Float32Array(COLUMNS);
  lafmax = new Float32Array(COLUMNS);
  lcpeak = new Float32Array(COLUMNS);
  covered = new Float32Array(COLUMNS);
  bandMidHz = /** @type {number[]} */ ([]);
  unit = '';
  /** Columns up to this one do not change any more. */
  whole = -Infinity;
  /** When those behind it were read, performance.now(). */
  readAt = -Infinity;
  /** @type {number|null} columns before it are of another unit */
  calibratedFrom = null;
  /** @type {HeatRing|null} */
  #heat = null;
  #bands = new Float32Array(0);
  #keys = new Float64Array(COLUMNS).fill(NaN);
  #range = /** @type {[number, number]} */ ([0, 1]);

  /** @param {number} microphone channel @param {number} step seconds a column */
  constructor(microphone, step) {
    this.microphone = microphone;
    this.step = step;
  }

  /** The column of a time. @param {number} unixS */
  at(unixS) {
    return Math.floor(unixS / this.step);
  }

  /** Where a column lies in the arrays, −1 if it is not known. @param {number} column */
  slot(column) {
    const slot = column % COLUMNS;
    return this.#keys[slot] === column ? slot : -1;
  }

  /** First and last unknown column from one to another, both included; null if all are known. @param {number} from @param {number} to */
  missing(from, to) {
    while (from <= to && this.slot(from) >= 0) from++;
    while (to >= from && this.slot(to) >= 0) to--;
    return from <= to ? [from, to] : null;
  }

  /** @param {LevelHistory} history in steps of this size @param {LevelHistoryChannel|undefined} channel undefined: nothing was logged */
  take(history, channel) {
    if (history.band_mid_hz.length !== this.bandMidHz.length) this.#furnish(history.band_mid_hz);
    if (channel) {
      this.unit = channel.unit;
      if (channel.calibrated_from_unix_s !== null) this.calibratedFrom = channel.calibrated_from_unix_s;
    }
    const rows = this.bandMidHz.length;
    history.unix_s.forEach((t, i) => {
      const column = Math.round(t / this.step);
      const slot = column % COLUMNS;
      this.#keys[slot] = column;
      this.laeq[slot] = channel?.laeq_db[i] ?? NaN;
      this.lceq[slot] = channel?.lceq_db[i] ?? NaN;
      this.lafmax[slot] = channel?.lafmax_db[i] ?? NaN;
      this.lcpeak[slot] = channel?.lcpeak_db[i] ?? NaN;
      this.covered[slot] = channel?.covered_s[i] ?? 0;
      for (let r = 0; r < rows; r++) this.#bands[slot * rows + r] = channel?.band_db[r]?.[i] ?? NaN;
      // A row a second need not fall into each second of the clock: one empty column is no gap.
      const before = this.slot(column - 1);
      const two = this.slot(column - 2);
      if (this.step === 1 && before >= 0 && two >= 0 && !this.covered[before] && this.covered[slot] && this.covered[two]) this.#fill(before, two);
      this.#heat?.put(slot, this.#bands, slot * rows, this.#range);
    });
  }

  /** Level of a band, NaN if unknown. @param {number} slot @param {number} row */
  band(slot, row) {
    const rows = this.bandMidHz.length;
    return rows && row < rows ? this.#bands[slot * rows + row] : NaN;
  }

  /** All known band levels of some columns, to find a scale. @param {number} from @param {number} to @returns {number[]} */
  bandLevels(from, to) {
    const rows = this.bandMidHz.length;
    const out = [];
    for (let column = from; column <= to; column++) {
      const slot = this.slot(column);
      if (slot < 0) continue;
      for (let r = 0; r < rows; r++) {
        const v = this.#bands[slot * rows + r];
        if (!Number.isNaN(v)) out.push(v);
      }
    }
    return out;
  }

  /** The picture on this scale. @param {[number, number]} range dB @returns {HeatRing|null} null: no bands */
  heat(range) {
    const rows = this.bandMidHz.length;
    if (!rows) return null;
    if (this.#heat && range[0] === this.#range[0] && range[1] === this.#range[1]) return this.#heat;
    this.#range = [...range];
    this.#heat ??= new HeatRing(COLUMNS, rows);
    for (let slot = 0; slot < COLUMNS; slot++) {
      if (!Number.isNaN(this.#keys[slot])) this.#heat.put(slot, this.#bands, slot * rows, this.#range);
    }
    return this.#heat;
  }

  /** @param {number[]} bandMidHz */
  #furnish(bandMidHz) {
    this.bandMidHz = bandMidHz;
    this.#bands = new Float32Array(COLUMNS * bandMidHz.length).fill(NaN);
    this.#heat = null;
  }

  /** @param {number} slot @param {number} from */
  #fill(slot, from) {
    for (const a of [this.laeq, this.lceq, this.lafmax, this.lcpeak]) a[slot] = a[from];
    this.covered[slot] = this.step;
    const rows = this.bandMidHz.length;
    this.#bands.copyWithin(slot * rows, from * rows, (from + 1) * rows);
    this.#heat?.put(slot, this.#bands, slot * rows, this.#range);
  }
}

/** The most columns that are kept, and may be asked for. */
export const MOST_COLUMNS = COLUMNS;

/**
 * Energetic mean of the last seconds at each column: what a limit over a time is compared with (IEC 61672-1, LAeq,T).
 * @param {LevelColumns} columns @param {number} from @param {number} to columns, both included @param {number} seconds
 * @returns {Float64Array} dB; NaN where less than half a minute of the time was logged
 */
export function slidingLevel(columns, from, to, seconds) {
  const n = Math.max(1, Math.round(seconds / columns.step));
  const out = new Float64Array(to - from + 1).fill(NaN);
  let energy = 0;
  let time = 0;
  const add = (/** @type {number} */ column, /** @type {1|-1} */ sign) => {
    const slot = columns.slot(column);
    const db = slot < 0 ? NaN : columns.laeq[slot];
    if (Number.isNaN(db)) return;
    const s = columns.covered[slot] || columns.step;
    energy += sign * s * 10 ** (db / 10);
    time += sign * s;
  };
  for (let column = from - n + 1; column <= to; column++) {
    add(column, 1);
    if (column - n >= from - n + 1) add(column - n, -1);
    if (column >= from && time >= Math.min(30, seconds / 2)) out[column - from] = 10 * Math.log10(Math.max(1e-30, energy / time));
  }
  return out;
}
