// @ts-check
// The impulse response as it is looked at: its envelope, and what a step becomes.

/** @typedef {import('./types.js').Values} Values */

/**
 * Magnitude of the analytic signal (Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 12), which has no
 * zeros where the response crosses its axis. What is unknown counts as 0.
 * @param {Values} values @returns {Float64Array} of their length
 */
export function envelope(values) {
  let n = 1;
  while (n < 2 * values.length) n *= 2; // the ends must not meet
  const re = new Float64Array(n);
  const im = new Float64Array(n);
  for (let i = 0; i < values.length; i++) re[i] = values[i] ?? 0;
  transform(re, im, -1);
  for (let k = 1; k < n / 2; k++) {
    re[k] *= 2;
    im[k] *= 2;
  }
  re.fill(0, n / 2 + 1);
  im.fill(0, n / 2 + 1);
  transform(re, im, 1);
  const out = new Float64Array(values.length);
  for (let i = 0; i < out.length; i++) out[i] = Math.hypot(re[i], im[i]) / n;
  return out;
}

/** What a step becomes: the running sum. @param {Values} values @returns {Float64Array} */
export function stepOf(values) {
  const out = new Float64Array(values.length);
  let sum = 0;
  for (let i = 0; i < out.length; i++) out[i] = sum += values[i] ?? 0;
  return out;
}

/** Radix two, in place (Cooley and Tukey 1965). @param {Float64Array} re @param {Float64Array} im @param {1|-1} sign of the exponent */
function transform(re, im, sign) {
  const n = re.length;
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) {
      [re[i], re[j]] = [re[j], re[i]];
      [im[i], im[j]] = [im[j], im[i]];
    }
  }
  for (let size = 2; size <= n; size *= 2) {
    const turn = (sign * 2 * Math.PI) / size;
    const [stepRe, stepIm] = [Math.cos(turn), Math.sin(turn)];
    const half = size / 2;
    for (let start = 0; start < n; start += size) {
      let [wr, wi] = [1, 0];
      for (let k = start; k < start + half; k++) {
        const m = k + half;
        const [xr, xi] = [re[m] * wr - im[m] * wi, re[m] * wi + im[m] * wr];
        re[m] = re[k] - xr;
        im[m] = im[k] - xi;
        re[k] += xr;
        im[k] += xi;
        [wr, wi] = [wr * stepRe - wi * stepIm, wr * stepIm + wi * stepRe];
      }
    }
  }
}
