// @ts-check
// Levels over time on a canvas: average, maximum, and a limit with what is compared with it.

import { currentInk } from '../core/theme.js';
import { slidingLevel } from './levelcolumns.js';

/** @typedef {import('./plot.js').Surface} Surface */
/** @typedef {import('./levelcolumns.js').LevelColumns} LevelColumns */
/** @typedef {{db: number, name: string, short: string, slidingS: number, crossed: boolean}} LimitLine at the microphone */

/**
 * A line through columns, each at the end of its time.
 * @param {Surface} s @param {LevelColumns} layer @param {number} from @param {number} to @param {Float32Array} values
 * @param {string} colour @param {number} width @param {number[]} dash
 * @returns {{x: number, y: number}|null} its end
 */
export function line(s, layer, from, to, values, colour, width, dash) {
  const { ctx } = s;
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.lineJoin = 'round';
  ctx.setLineDash(dash);
  ctx.beginPath();
  let end = null;
  let pen = false;
  for (let column = from - 1; column <= to + 1; column++) {
    const slot = layer.slot(column);
    const v = slot < 0 ? NaN : values[slot];
    if (Number.isNaN(v)) {
      pen = false;
      continue;
    }
    const x = s.x((column + 0.5) * layer.step);
    const y = s.y(v);
    if (pen) ctx.lineTo(x, y);
    else ctx.moveTo(x, y);
    pen = true;
    end = { x, y };
  }
  ctx.stroke();
  ctx.setLineDash([]);
  return end;
}

/** Between average and maximum. @param {Surface} s @param {LevelColumns} layer @param {number} from @param {number} to @param {string} colour @param {number} alpha */
export function crest(s, layer, from, to, colour, alpha) {
  const { ctx } = s;
  ctx.fillStyle = colour;
  ctx.globalAlpha = alpha;
  for (let column = from - 1; column <= to + 1; column++) {
    const start = column;
    while (column <= to + 1 && layer.slot(column) >= 0 && !Number.isNaN(layer.laeq[layer.slot(column)])) column++;
    if (column - start < 2) continue;
    ctx.beginPath();
    for (let k = start; k < column; k++) ctx.lineTo(s.x((k + 0.5) * layer.step), s.y(layer.lafmax[layer.slot(k)]));
    for (let k = column - 1; k >= start; k--) ctx.lineTo(s.x((k + 0.5) * layer.step), s.y(layer.laeq[layer.slot(k)]));
    ctx.closePath();
    ctx.fill();
  }
  ctx.globalAlpha = 1;
}

/**
 * A limit, and the average that it is compared with; what is over it, and only that, is red.
 * @param {Surface} s @param {LevelColumns} layer @param {number} from @param {number} to columns @param {LimitLine} limit @param {number} now seconds since 1970
 * @param {(end: {y: number}, name: string, colour: string, dash: number[], strong: boolean) => void} key is told its name
 */
export function paintLimit(s, layer, from, to, limit, now, key) {
  const ink = currentInk();
  const { ctx, box } = s;
  const y = s.y(limit.db);
  if (limit.slidingS && layer.step <= limit.slidingS / 3) {
    const values = slidingLevel(layer, from, Math.min(to, layer.at(now)), limit.slidingS);
    const x = (/** @type {number} */ i) => s.x((from + i + 1) * layer.step);
    const stroke = (/** @type {string} */ colour, /** @type {number} */ width) => {
      ctx.strokeStyle = colour;
      ctx.lineWidth = width * s.ratio;
      ctx.beginPath();
      let pen = false;
      values.forEach((v, i) => {
        if (Number.isNaN(v)) pen = false;
        else if (pen) ctx.lineTo(x(i), s.y(v));
        else ctx.moveTo(x(i), s.y(v));
        pen = !Number.isNaN(v);
      });
      ctx.stroke();
    };
    stroke(ink.ink, 2 * ink.line);
    ctx.save();
    ctx.beginPath();
    ctx.rect(box.left, box.top, box.width, y - box.top);
    ctx.clip();
    stroke(ink.alarm, 3.5 * ink.line);
    ctx.restore();
    let last = values.length - 1;
    while (last >= 0 && Number.isNaN(values[last])) last--;
    if (last >= 0) key({ y: s.y(values[last]) }, `LAeq,${limit.slidingS / 60}min`, values[last] > limit.db ? ink.alarm : ink.ink, [], true);
  }
  ctx.strokeStyle = limit.crossed ? ink.alarm : ink.ink;
  ctx.lineWidth = 1.5 * s.ratio;
  ctx.setLineDash([10 * s.ratio, 5 * s.ratio]);
  ctx.beginPath();
  ctx.moveTo(box.left, y);
  ctx.lineTo(box.left + box.width, y);
  ctx.stroke();
  ctx.setLineDash([]);
  key({ y }, limit.short, limit.crossed ? ink.alarm : ink.ink, [6, 3], false);
}
