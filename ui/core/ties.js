// @ts-check
// How the errors of a response go together from point to point.

/** @typedef {{smoothing: number, window: 'multi'|number, rateHz: number}} Resolution of an octave, samples */

const PERIODS = 24; // the window that multi-resolution wants, and its shortest and longest
const SHORTEST_S = 2048 / 48000;
const WINDOWS = 6;
const LEAST_S = 0.02; // the shortest window that the mean of bins stands for
const PER_OCTAVE = 48;
const HANN_VARIANCE = 0.571; // of the square of a Hann window's correlation, bins²
const FAR = 3; // deviations of a normal curve until nothing is left of it
const ALIKE = 0.02; // tables that differ by less are one

/**
 * The correlation of errors by how many points apart they are, about each point in turn. Under a window it is that
 * of the cross spectra of white noise (the square of the window's own), and what multi-resolution averages of bins is a
 * triangle; a normal curve with the variance of both stands for them, as for the daemon's ErrorCorrelation. Smoothing is
 * the mean of some points in a row, so that the correlation is laid under a triangle as wide as twice these.
 */
export class Ties {
  #hz;
  #resolution;
  #low = 0;
  #high = 0;
  #kept = { points: 0, spread: 0, stride: 0, table: new Float64Array([1]) };

  /** @param {readonly number[]} hz ascending @param {Resolution} resolution */
  constructor(hz, resolution) {
    this.#hz = hz;
    this.#resolution = resolution;
  }

  /** About point i, which is not before that of the last call; the k-th is of points k strides apart. The first is 1. @param {number} i @param {number} stride @returns {Float64Array} */
  about(i, stride) {
    const hz = this.#hz;
    const reach = 2 ** (0.5 / this.#resolution.smoothing) * (1 - 1e-9);
    while (hz[this.#low] < hz[i] / reach) this.#low++;
    while (this.#high < hz.length && hz[this.#high] < hz[i] * reach) this.#high++;
    const points = Math.max(1, this.#high - this.#low);
    const step = i > 0 ? hz[i] - hz[i - 1] : hz[1] - hz[0];
    const spread = this.#spreadHz(hz[i]) / step;
    const kept = this.#kept;
    const near = (/** @type {number} */ a, /** @type {number} */ b) => Math.abs(a - b) < ALIKE * b;
    if (kept.stride === stride && near(kept.points, points) && near(kept.spread, spread)) return kept.table;
    const far = Math.ceil(FAR * spread);
    /** @type {number[]} */
    const sums = [];
    for (let apart = 0; apart < points + far; apart += stride) {
      let sum = 0;
      for (let u = -far; u <= far; u++) sum += Math.max(0, points - Math.abs(apart + u)) * Math.exp(-0.5 * (u / spread) ** 2);
      sums.push(sum);
    }
    this.#kept = { points, spread, stride, table: Float64Array.from(sums, (v) => v / sums[0]) };
    return this.#kept.table;
  }

  /** Is all there that smoothing takes the mean of about that frequency? @param {number} hz */
  whole(hz) {
    const reach = 2 ** (0.5 / this.#resolution.smoothing - 0.5 / PER_OCTAVE);
    return hz / reach >= this.#hz[0] * (1 - 1e-9) && hz * reach <= this.#hz[this.#hz.length - 1] * (1 + 1e-9);
  }

  /** @param {number} hz */
  #spreadHz(hz) {
    const { window, rateHz } = this.#resolution;
    if (window !== 'multi') return (Math.sqrt(HANN_VARIANCE) * rateHz) / window;
    const shortest = 2 ** Math.round(Math.log2(SHORTEST_S * rateHz)) / rateHz;
    const bin = 1 / Math.min(Math.max(PERIODS / hz, shortest), shortest * 2 ** (WINDOWS - 1));
    const half = Math.max(Math.min(hz / PERIODS, 1 / LEAST_S), hz / PER_OCTAVE);
    return Math.sqrt(HANN_VARIANCE * bin * bin + (half * half) / 3);
  }
}
