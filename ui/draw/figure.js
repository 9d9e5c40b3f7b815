// @ts-check
// A plot to take away: on paper's ground, with the sentence, the axes and the settings it was made with.

import { DAYLIGHT } from '../core/theme.js';
import { line, ribbon } from './trace.js';
import { paintStrip } from '../parts/spine.js';

/** @typedef {[number, number]} Range */
/**
 * @typedef {object} FigureCurve
 * @property {string} name
 * @property {import('./trace.js').Curve} curve its xs are not used
 * @property {string} colour
 * @property {number[]} dash
 */
/**
 * @typedef {object} Figure
 * @property {string} title
 * @property {string} sentence
 * @property {string} caption
 * @property {number[]} grid
 * @property {FigureCurve[]} curves the one in front last
 * @property {{range: Range, log: boolean, splits: number[], tick: (v: number) => string}} x
 * @property {{range: Range, splits: number[], tick: (v: number) => string}} y
 * @property {boolean} strip with the trust strip of the curve in front
 * @property {(ctx: CanvasRenderingContext2D, x: (v: number) => number, y: (v: number) => number) => void} [under] what lies under the curves
 * @property {(ctx: CanvasRenderingContext2D) => void} [beside] what stands around them
 */

export const WIDTH = 1200;
export const HEIGHT = 640;
const BOX = { left: 70, top: 120, width: 1090, height: 410 };
const FONT = 'px system-ui, sans-serif';

/**
 * @param {CanvasRenderingContext2D|import('./svgcontext.js').SvgContext} context
 * @param {Figure} figure
 */
export function paintFigure(context, figure) {
  const ctx = /** @type {CanvasRenderingContext2D} */ (context);
  const by = figure.x.log ? Math.log : (/** @type {number} */ v) => v;
  const x = (/** @type {number} */ v) => BOX.left + ((by(v) - by(figure.x.range[0])) / (by(figure.x.range[1]) - by(figure.x.range[0]))) * BOX.width;
  const y = (/** @type {number} */ v) => BOX.top + ((figure.y.range[1] - v) / (figure.y.range[1] - figure.y.range[0])) * BOX.height;
  const bottom = BOX.top + BOX.height;

  ctx.fillStyle = DAYLIGHT.ground;
  ctx.fillRect(0, 0, WIDTH, HEIGHT);
  ctx.textBaseline = 'top';
  ctx.textAlign = 'left';
  ctx.fillStyle = DAYLIGHT.ink;
  ctx.font = `600 17${FONT}`;
  wrap(ctx, figure.sentence || figure.title, BOX.left, 14, BOX.width, 23, 3);
  ctx.font = `600 15${FONT}`;
  ctx.fillText(figure.title, BOX.left, 90);

  ctx.lineWidth = 1;
  ctx.strokeStyle = DAYLIGHT.faint;
  ctx.fillStyle = DAYLIGHT.quiet;
  ctx.font = `14${FONT}`;
  ctx.textBaseline = 'middle';
  ctx.textAlign = 'right';
  for (const v of figure.y.splits) {
    rule(ctx, BOX.left, y(v), BOX.left + BOX.width, y(v));
    ctx.fillText(figure.y.tick(v), BOX.left - 8, y(v));
  }
  ctx.textAlign = 'center';
  let free = -Infinity;
  for (const v of figure.x.splits) {
    rule(ctx, x(v), BOX.top, x(v), bottom);
    const half = ctx.measureText(figure.x.tick(v)).width / 2;
    if (x(v) - half < free) continue;
    ctx.fillText(figure.x.tick(v), x(v), bottom + (figure.strip ? 34 : 16));
    free = x(v) + half + 8;
  }

  const xs = figure.grid.map(x);
  ctx.save();
  ctx.beginPath();
  ctx.rect(BOX.left, BOX.top, BOX.width, BOX.height);
  ctx.clip();
  figure.under?.(ctx, x, y);
  for (const { curve, colour, dash } of figure.curves) {
    const placed = { ...curve, xs };
    const style = { colour, width: 2, dash, fill: 0.26, outline: 0.75 };
    ribbon(ctx, placed, y, style);
    line(ctx, placed, y, style);
  }
  ctx.restore();

  figure.beside?.(ctx);
  const front = figure.curves[figure.curves.length - 1];
  if (figure.strip && front) paintStrip(ctx, figure.grid, { ...front.curve, xs }, { left: BOX.left, top: bottom + 6, width: BOX.width, height: 14 }, x, '#8a8f94');
  ctx.textAlign = 'left';
  ctx.font = `600 15${FONT}`;
  ctx.textBaseline = 'top';
  let at = BOX.left + ctx.measureText(figure.title).width + 28;
  for (const { name, colour } of figure.curves) {
    ctx.fillStyle = colour;
    ctx.fillText(name, at, 90);
    at += ctx.measureText(name).width + 24;
  }
  ctx.fillStyle = DAYLIGHT.quiet;
  ctx.font = `13${FONT}`;
  wrap(ctx, figure.caption, BOX.left, HEIGHT - 48, BOX.width, 18, 2);
}

/** @param {CanvasRenderingContext2D} ctx @param {number} x1 @param {number} y1 @param {number} x2 @param {number} y2 */
function rule(ctx, x1, y1, x2, y2) {
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
}

/** @param {CanvasRenderingContext2D} ctx @param {string} text @param {number} x @param {number} y @param {number} width @param {number} height @param {number} lines */
function wrap(ctx, text, x, y, width, height, lines) {
  let now = '';
  for (const word of text.split(' ')) {
    if (now && ctx.measureText(`${now} ${word}`).width > width && lines > 1) {
      ctx.fillText(now, x, y);
      y += height;
      lines--;
      now = word;
    } else {
      now = now ? `${now} ${word}` : word;
    }
  }
  // What does not fit is cut, and says so.
  if (ctx.measureText(now).width > width) {
    while (now && ctx.measureText(`${now} …`).width > width) now = now.replace(/\s*\S+$/, '');
    now += ' …';
  }
  ctx.fillText(now, x, y);
}
