// @ts-check
// Names of curves at their ends, none over another.

import { unit } from '../core/type.js';
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
 */
export function placeNames({ ctx, box, ratio }, labels, ground) {
  const right = box.left + box.width;
  const step = 15 * ratio;
  for (const label of labels) label.y -= 10 * ratio;
  spread(labels, step, box.top + step * 0.7, box.top + box.height - step / 2);
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

/** @typedef {Label & {short: string, dash: number[], strong: boolean}} Key */

const SAMPLE = 18; // pixels of the layout
const LINE = 15;

/**
 * Writes names in the room beside a box, each after a piece of its curve and about as high as that ends: neither over a curve
 * nor over each other. Those that have no room are counted.
 * @param {import('./plot.js').Surface} s @param {Key[]} keys @param {number} room pixels of the layout @param {string} quiet
 */
export function keysBeside({ ctx, box, ratio }, keys, room, quiet) {
  const step = LINE * ratio;
  const fit = Math.max(1, Math.floor(box.height / step));
  const shown = keys.length > fit ? keys.slice(keys.length - fit + 1) : keys;
  const left = box.left + box.width + 5 * ratio;
  const words = left + (SAMPLE + 4) * ratio;
  const wide = (room - SAMPLE - 9) * ratio;
  spread(shown, step, box.top + step / 2, box.top + box.height - step / 2 - (shown === keys ? 0 : step));
  ctx.textAlign = 'left';
  ctx.textBaseline = 'middle';
  for (const { y, name, short, colour, dash, strong } of shown) {
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.lineWidth = (strong ? 3 : 1.6) * ratio;
    ctx.setLineDash(dash.map((d) => d * ratio));
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + SAMPLE * ratio, y);
    ctx.stroke();
    ctx.font = `600 ${13 * ratio}${FONT}`;
    ctx.fillText(clipped(ctx, (room < WIDE && short) || name, wide), words, y);
  }
  ctx.setLineDash([]);
  if (shown === keys) return;
  ctx.fillStyle = quiet;
  ctx.fillText(`+${keys.length - shown.length}`, left, box.top + box.height - step / 2);
}

/**
 * Makes room for names beside a plot.
 * @param {import('./plot.js').Plot[]} plots that share it, the one with the names first @param {string[]} names none: no room
 * @returns {number} pixels of the layout
 */
export function makeRoom(plots, names) {
  const { canvas } = plots[0];
  const ratio = devicePixelRatio * unit();
  const ctx = canvas.getContext('2d');
  const room = names.length && ctx ? roomBeside(ctx, names, ratio, canvas.width / ratio) : 0;
  for (const plot of plots) plot.beside = room;
  return room;
}

const WIDE = 90; // pixels of the layout: from here on there is room for words

/**
 * Room that the names need, pixels of the layout.
 * @param {CanvasRenderingContext2D} ctx @param {string[]} names @param {number} ratio @param {number} width of the plot, pixels of the layout
 * @param {boolean} [short] there are short names for where it is narrow
 */
export function roomBeside(ctx, names, ratio, width, short = false) {
  if (width < 560 && short) return 40;
  ctx.save();
  ctx.font = `600 ${13 * ratio}${FONT}`;
  const most = Math.max(...names.map((n) => ctx.measureText(n).width)) / ratio;
  ctx.restore();
  return Math.max(Math.min(WIDE, 0.3 * width), Math.min(width < 560 ? width * 0.3 : width * 0.2, 150, Math.ceil(most / 10) * 10 + SAMPLE + 14));
}

/** @param {CanvasRenderingContext2D} ctx @param {string} text @param {number} most units of the context */
export function clipped(ctx, text, most) {
  let end = text.length;
  while (end > 3 && ctx.measureText(text.slice(0, end)).width > most) end--;
  return end < text.length ? `${text.slice(0, end - 1).trimEnd()}…` : text;
}
