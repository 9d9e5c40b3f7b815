// @ts-check
// A target curve on a grid of frequencies.

/** @typedef {import('./types.js').Target} Target */
/** @typedef {import('./types.js').Values} Values */

/** @type {{target: string, grid: readonly number[], mid: Values, low: Values, high: Values}} */
let laid = { target: '', grid: [], mid: [], low: [], high: [] };

/** A target on a grid: straight in dB over log frequency between its points, and nowhere else. @param {Target} target @param {readonly number[]} grid */
export function targetOn(target, grid) {
  const key = JSON.stringify([target.points, target.offset_db, target.tolerance_db]);
  if (laid.target === key && laid.grid === grid) return laid;
  const { points } = target;
  let k = 0;
  const mid = grid.map((hz) => {
    while (k + 1 < points.length && points[k + 1][0] < hz) k++;
    const [a, b] = [points[k], points[k + 1]];
    if (hz < points[0][0] * 0.9999 || hz > points[points.length - 1][0] * 1.0001) return null;
    if (!b || hz <= a[0]) return a[1] + target.offset_db;
    return a[1] + ((b[1] - a[1]) * Math.log(hz / a[0])) / Math.log(b[0] / a[0]) + target.offset_db;
  });
  const by = (/** @type {number} */ d) => mid.map((v) => (v === null ? null : v + d));
  laid = { target: key, grid, mid, low: by(-target.tolerance_db), high: by(target.tolerance_db) };
  return laid;
}
