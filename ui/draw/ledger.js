// @ts-check
// The ledger of a seat on any 2D context: a row a cause, from the ideal down to what arrives.

import { FONT } from './axes.js';
import { PAPER } from './paper.js';
import { fixed, signed } from '../core/format.js';

/** @typedef {import('../core/types.js').AlignSeat} AlignSeat */

const ROW = 16;
const BAR = 10;
const NAMES = 70; // wide
const VALUES = 82;

/** How high it is. @param {AlignSeat} seat */
export const ledgerHeight = (seat) => ROW * (seat.ledger.length + 2) + 4;

/** @param {CanvasRenderingContext2D} ctx @param {AlignSeat} seat @param {number} width */
export function paintLedger(ctx, seat, width) {
  const ideal = seat.ideal_gain_db ?? 0;
  const sum = seat.gain_over_louder_db ?? 0;
  let level = ideal;
  const levels = [0, ideal, sum, ...seat.ledger.map((r) => (level += r.change_db ?? 0))];
  const [low, high] = [Math.min(...levels), Math.max(...levels)];
  const x = (/** @type {number} */ db) => NAMES + ((width - NAMES - VALUES) * (db - low)) / (high - low || 1);
  const within = (/** @type {number|null} */ least, /** @type {number|null} */ most) => {
    const half = ((most ?? NaN) - (least ?? NaN)) / 2;
    return Number.isFinite(half) ? ` ±${fixed(half, half < 0.1 ? 2 : 1)}` : '';
  };
  let y = 0;
  const row = (/** @type {string} */ name, /** @type {string} */ value, /** @type {number} */ from, /** @type {number} */ to, /** @type {'all'|'loss'|'gain'} */ kind) => {
    const top = y + (ROW - BAR) / 2;
    ctx.font = `${kind === 'all' ? '600 ' : ''}12${FONT}`;
    ctx.fillStyle = PAPER.ink;
    ctx.textBaseline = 'middle';
    ctx.textAlign = 'left';
    ctx.fillText(name, 0, y + ROW / 2);
    ctx.textAlign = 'right';
    ctx.fillText(value, width, y + ROW / 2);
    const [left, wide] = [x(Math.min(from, to)), Math.max(1.5, Math.abs(x(to) - x(from)))];
    if (kind === 'gain') {
      ctx.strokeStyle = PAPER.curves[2];
      ctx.lineWidth = 1.5;
      ctx.strokeRect(left, top, wide, BAR);
    } else {
      ctx.fillStyle = kind === 'all' ? PAPER.ink : PAPER.rule;
      ctx.fillRect(left, top, wide, BAR);
    }
    if (y) stroke(ctx, PAPER.brass, x(from), top - (ROW - BAR), x(from), top);
    y += ROW;
  };
  stroke(ctx, PAPER.faint, x(0), 0, x(0), ledgerHeight(seat));
  row('Ideal', signed(ideal, 2), 0, ideal, 'all');
  level = ideal;
  for (const r of seat.ledger) {
    const to = level + (r.change_db ?? 0);
    row(r.cause[0].toUpperCase() + r.cause.slice(1), signed(r.change_db, 1) + within(r.low_db, r.high_db), level, to, to > level ? 'gain' : 'loss');
    level = to;
  }
  row(seat.predicted ? 'Predicted' : 'Measured', signed(sum, 1) + within(seat.gain_low_db, seat.gain_high_db), level, 0, 'all');
}

/** @param {CanvasRenderingContext2D} ctx @param {string} colour @param {number} x1 @param {number} y1 @param {number} x2 @param {number} y2 */
function stroke(ctx, colour, x1, y1, x2, y2) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
}
