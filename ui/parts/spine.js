// @ts-check
// The spine between magnitude and phase: the trust strip (lightness is coherence, hatched under the
// threshold) and the frequency axis, shared by the plot above it and the one that hangs below.

import { el } from '../core/dom.js';
import { frequencyTick } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { FONT, decades, paintWords } from '../draw/axes.js';
import { paintStrip } from '../draw/strip.js';

const STRIP = 12; // pixels of the layout

export class Spine {
  node = el('div', { class: 'spine' });
  #canvas = el('canvas', { role: 'img', 'aria-label': 'Coherence over frequency: light where it is high, hatched where the curve is not to be trusted; in the table under Export' });
  #ctx = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext('2d', { alpha: true }));
  /** @type {CanvasPattern|null} */
  #hatch = null;
  #hatchOf = '';

  constructor() {
    this.node.append(this.#canvas);
  }

  /**
   * @param {import('../draw/plot.js').Plot} plot whose x axis it is
   * @param {number[]} grid Hz
   * @param {import('../draw/trace.js').Curve} curve xs in canvas pixels of that plot
   * @param {[number, number]} tag what of the axis lies under the tag of the plumb line, CSS pixels in the plot
   */
  draw(plot, grid, curve, tag) {
    const ratio = devicePixelRatio;
    const strip = STRIP * unit();
    const width = this.node.clientWidth;
    const height = this.node.clientHeight;
    if (!width || !height) return;
    if (this.#canvas.width !== Math.round(width * ratio) || this.#canvas.height !== Math.round(height * ratio)) {
      this.#canvas.width = Math.round(width * ratio);
      this.#canvas.height = Math.round(height * ratio);
    }
    const ctx = this.#ctx;
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, width, height);
    const ink = currentInk();
    const { left, width: wide } = plot.area;
    paintStrip(ctx, grid, curve, { left, top: 0, width: wide, height: strip }, (hz) => left + plot.toX(hz), this.#pattern(ctx), ink.rule);
    ctx.fillStyle = ink.quiet;
    ctx.font = `${12 * unit()}${FONT}`;
    ctx.textBaseline = 'middle';
    paintWords(ctx, { splits: decades(...plot.xRange), tick: (hz) => frequencyTick(hz) + (hz === 20 ? ' Hz' : ''), at: (hz) => left + plot.toX(hz) },
      strip + (height - strip) / 2 + 1, { ends: [left, left + wide], covered: [left + tag[0], left + tag[1]] });
  }

  /** @param {CanvasRenderingContext2D} ctx */
  #pattern(ctx) {
    const ink = currentInk();
    if (this.#hatch && this.#hatchOf === ink.ground) return this.#hatch;
    this.#hatchOf = ink.ground;
    return (this.#hatch = hatch(ctx, ink.dark ? '#e8edf1' : '#14181c', ink.ground));
  }
}

/** @param {CanvasRenderingContext2D} ctx @param {string} stroke @param {string} ground */
function hatch(ctx, stroke, ground) {
  const tile = document.createElement('canvas');
  tile.width = tile.height = 6;
  const t = /** @type {CanvasRenderingContext2D} */ (tile.getContext('2d'));
  t.fillStyle = ground;
  t.fillRect(0, 0, 6, 6);
  t.strokeStyle = stroke;
  t.globalAlpha = 0.55;
  t.lineWidth = 1;
  t.beginPath();
  for (const o of [-6, 0, 6]) {
    t.moveTo(o, 6);
    t.lineTo(o + 6, 0);
  }
  t.stroke();
  return ctx.createPattern(tile, 'repeat');
}
