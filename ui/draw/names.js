// @ts-check
// Names of curves at their ends, none over another.

import { FONT } from './axes.js';

/** @typedef {{x: number, y: number, name: string, colour: string}} Label where a curve ends, in units of the context */

/**
 * Moves labels apart, as little as it takes, and sorts them from the top.
 * @param {Label[]} labels @param {number} step @param {number} top @param {number} bottom of the first and the last
 */
function spread(labels, step, top, bottom) {
  labels.sort((a, b) => a.y - b.y);
  labels.forEach((label, i) => (label.y = Math.max(label.y, i ? labels[i - 1].y + step : top)));
  for (let i = labels.length - 1; i >= 0; i--) labels[i].y = Math.min(labels[i].y, bottom - (labels.length - 1 - i) * step);
}

const MOST_GROUNDS = 4; // more would hide the curves

/**
 * Writes names on a plot, each above its point.
 * @param {import('./plot.js').Surface} s @param {Label[]} labels @param {string} ground
 * @param {number} [foot] CSS pixels at the bottom that stay free
 */
export function placeNames({ ctx, box, ratio }, labels, ground, foot = 0) {
  const right = box.left + box.width;
  const step = 15 * ratio;
  for (const label of labels) label.y -= 10 * ratio;
  spread(labels, step, box.top + step * 0.7, box.top + box.height - foot * ratio - step / 2);
  ctx.font = `600 ${13 * ratio}${FONT}`;
  ctx.textAlign = 'right';
  ctx.textBaseline = 'middle';
  ctx.lineJoin = 'round';
  for (const { x, y, name, colour } of labels) {
    const wide = ctx.measureText(name).width;
    const at = Math.min(right - 6 * ratio, Math.max(x + 4 * ratio, box.left + wide + 6 * ratio));
    ctx.fillStyle = ctx.strokeStyle = ground;
    ctx.globalAlpha = labels.length > MOST_GROUNDS ? 0 : 0.78; // what lies under it shines through, and the name is read
    ctx.fillRect(at - wide - 3 * ratio, y - step / 2, wide + 6 * ratio, step);
    ctx.globalAlpha = 1;
    ctx.lineWidth = 3 * ratio;
    ctx.strokeText(name, at, y);
    ctx.fillStyle = colour;
    ctx.fillText(name, at, y);
  }
}

/**
 * Writes names at the right of a box, each as high as its curve ends.
 * @param {CanvasRenderingContext2D} ctx @param {import('./axes.js').Box} box @param {Label[]} labels @param {number} font @param {number} room that there is
 */
export function namesBeside(ctx, box, labels, font, room) {
  const step = 1.15 * font;
  spread(labels, step, box.top + step / 2, box.top + box.height - step / 2);
  ctx.font = `600 ${font}${FONT}`;
  ctx.textAlign = 'left';
  ctx.textBaseline = 'middle';
  for (const { y, name, colour } of labels) {
    ctx.fillStyle = colour;
    ctx.fillText(clipped(ctx, name, room), box.left + box.width + font / 2, y);
  }
}

/** @param {CanvasRenderingContext2D} ctx @param {string} text @param {number} most units of the context */
export function clipped(ctx, text, most) {
  let end = text.length;
  while (end > 3 && ctx.measureText(text.slice(0, end)).width > most) end--;
  return end < text.length ? `${text.slice(0, end - 1).trimEnd()}…` : text;
}
