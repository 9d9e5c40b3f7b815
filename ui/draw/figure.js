// @ts-check
// A plot to take away: axes and curves on paper's ground, and for an exported one the sentence and the settings it
// was made with.

import { FONT, along, paintAxes } from './axes.js';
import { PAPER } from './paper.js';
import { paintStrip } from './strip.js';
import { line, ribbon } from './trace.js';

/** @typedef {[number, number]} Range */
/**
 * @typedef {object} FigureCurve
 * @property {string} name
 * @property {import('./trace.js').Curve} curve its xs are not used
 * @property {string} colour
 * @property {number[]} dash
 * @property {number} [width] 2 without
 * @property {number} [fill] of its ribbon, 0…1
 */
/**
 * @typedef {object} Drawing
 * @property {number[]} grid
 * @property {FigureCurve[]} curves the one in front last
 * @property {{range: Range, log: boolean, splits: number[], tick: (v: number) => string}} x
 * @property {{range: Range, splits: number[], tick: (v: number) => string}} y
 * @property {(ctx: CanvasRenderingContext2D, x: (v: number) => number, y: (v: number) => number) => void} [under] what lies under the curves
 */
/**
 * @typedef {object} Caption
 * @property {string} title
 * @property {string} sentence
 * @property {string} caption
 * @property {boolean} strip with the trust strip of the curve in front
 * @property {(ctx: CanvasRenderingContext2D) => void} [beside] what stands around the curves
 */
/** @typedef {Drawing & Caption} Figure */

export const WIDTH = 1200;
export const HEIGHT = 640;
const BOX = { left: 70, top: 120, width: 1090, height: 410 };

/**
 * Axes and the curves on them.
 * @param {CanvasRenderingContext2D} ctx @param {import('./axes.js').Box} box @param {Drawing} drawing
 * @param {{font: number, gap: number, below: number}} style as of paintAxes
 * @returns {{x: (v: number) => number, y: (v: number) => number}} where values lie
 */
export function paintDrawing(ctx, box, { grid, curves, x, y, under }, style) {
  const xAt = along(x.range, x.log, box.left, box.left + box.width).at;
  const yAt = along(y.range, false, box.top + box.height, box.top).at;
  paintAxes(ctx, box, { ...x, at: xAt }, { ...y, at: yAt }, { grid: PAPER.faint, words: PAPER.quiet, ...style });
  const xs = grid.map(xAt);
  ctx.save();
  ctx.beginPath();
  ctx.rect(box.left, box.top, box.width, box.height);
  ctx.clip();
  under?.(ctx, xAt, yAt);
  for (const { curve, colour, dash, width = 2, fill = 0.26 } of curves) {
    const placed = { ...curve, xs };
    const ink = { colour, width, dash, fill, outline: 0.75 };
    ribbon(ctx, placed, yAt, ink);
    line(ctx, placed, yAt, ink);
  }
  ctx.restore();
  return { x: xAt, y: yAt };
}

/**
 * @param {CanvasRenderingContext2D|import('./svgcontext.js').SvgContext} context
 * @param {Figure} figure
 */
export function paintFigure(context, figure) {
  const ctx = /** @type {CanvasRenderingContext2D} */ (context);
  const bottom = BOX.top + BOX.height;

  ctx.fillStyle = PAPER.ground;
  ctx.fillRect(0, 0, WIDTH, HEIGHT);
  ctx.textBaseline = 'top';
  ctx.textAlign = 'left';
  ctx.fillStyle = PAPER.ink;
  ctx.font = `600 17${FONT}`;
  wrap(ctx, figure.sentence || figure.title, BOX.left, 14, BOX.width, 23, 3);
  ctx.font = `600 15${FONT}`;
  ctx.fillText(figure.title, BOX.left, 90);
  const at = paintDrawing(ctx, BOX, figure, { font: 14, gap: 8, below: figure.strip ? 27 : 9 });

  ctx.font = `14${FONT}`;
  figure.beside?.(ctx);
  const front = figure.curves[figure.curves.length - 1];
  if (figure.strip && front) paintStrip(ctx, figure.grid, { ...front.curve, xs: [] }, { left: BOX.left, top: bottom + 6, width: BOX.width, height: 14 }, at.x, '#8a8f94', PAPER.rule);
  ctx.textAlign = 'left';
  ctx.font = `600 15${FONT}`;
  ctx.textBaseline = 'top';
  let left = BOX.left + ctx.measureText(figure.title).width + 28;
  for (const { name, colour } of figure.curves) {
    ctx.fillStyle = colour;
    ctx.fillText(name, left, 90);
    left += ctx.measureText(name).width + 24;
  }
  ctx.fillStyle = PAPER.quiet;
  ctx.font = `13${FONT}`;
  wrap(ctx, figure.caption, BOX.left, HEIGHT - 48, BOX.width, 18, 2);
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
