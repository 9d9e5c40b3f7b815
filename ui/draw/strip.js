// @ts-check
// The trust strip: lightness is coherence, and what is under the threshold is hatched or grey.

import { trusted } from './trace.js';

const LEVELS = 24;

/** Grey of a coherence 0…1: black is none, white is all. @param {number} level 0…LEVELS */
const grey = (level) => {
  const v = Math.round(26 + (level / LEVELS) * 212);
  return `rgb(${v} ${v} ${v})`;
};

/**
 * @param {Pick<CanvasRenderingContext2D, 'fillStyle'|'fillRect'|'strokeStyle'|'strokeRect'|'lineWidth'>} ctx
 * @param {number[]} grid Hz
 * @param {import('./trace.js').Curve} curve
 * @param {import('./axes.js').Box} box
 * @param {(hz: number) => number} x in the units of box
 * @param {CanvasPattern|string|null} untrusted @param {string} rule
 */
export function paintStrip(ctx, grid, curve, box, x, untrusted, rule) {
  const right = box.left + box.width;
  const n = Math.min(grid.length, curve.coherence?.length ?? 0);
  let from = box.left;
  let kind = -2; // -1: under the threshold, -2: unknown
  const flush = (/** @type {number} */ to) => {
    const a = Math.max(box.left, from);
    const b = Math.min(right, to);
    if (b > a && kind !== -2) {
      ctx.fillStyle = kind === -1 ? (untrusted ?? '#888') : grey(kind);
      ctx.fillRect(a, box.top, b - a, box.height);
    }
    from = to;
  };
  for (let i = 0; i < n; i++) {
    const c = curve.coherence?.[i] ?? null;
    const now = c === null ? -2 : trusted(curve, i) ? Math.round(c * LEVELS) : -1;
    if (now === kind) continue;
    flush(i ? x(Math.sqrt(grid[i - 1] * grid[i])) : x(grid[0]));
    kind = now;
  }
  flush(right);
  ctx.strokeStyle = rule;
  ctx.lineWidth = 1;
  ctx.strokeRect(box.left + 0.5, box.top + 0.5, box.width - 1, box.height - 1);
}
