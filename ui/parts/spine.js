// @ts-check
// The spine between magnitude and phase: the trust strip (lightness is coherence, hatched under the
// threshold) and the frequency axis, shared by the plot above it and the one that hangs below.

import { el } from '../core/dom.js';
import { frequencyTick } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { decades } from '../draw/plot.js';
import { trusted } from '../draw/trace.js';

const STRIP = 12; // CSS pixels
const LEVELS = 24;

export class Spine {
  node = el('div', { class: 'spine' });
  #canvas = el('canvas', { 'aria-hidden': 'true' });
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
    const { left, width: wide } = plot.area;
    paintStrip(ctx, grid, curve, { left, top: 0, width: wide, height: STRIP }, (hz) => left + plot.toX(hz), this.#pattern(ctx));
    this.#ticks(ctx, plot, left, wide, height, tag);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {import('../draw/plot.js').Plot} plot @param {number} left @param {number} wide @param {number} height @param {[number, number]} tag */
  #ticks(ctx, plot, left, wide, height, tag) {
    const ink = currentInk();
    ctx.fillStyle = ink.quiet;
    ctx.font = '12px system-ui, sans-serif';
    ctx.textAlign = 'center';
    ctx.textBaseline = 'middle';
    let free = -Infinity;
    for (const hz of decades(...plot.xRange)) {
      const text = frequencyTick(hz) + (hz === 20 ? ' Hz' : '');
      const half = ctx.measureText(text).width / 2;
      const x = Math.min(left + wide - half, Math.max(left + half, left + plot.toX(hz)));
      if (x - half < free || (x + half > left + tag[0] && x - half < left + tag[1])) continue;
      ctx.fillText(text, x, STRIP + (height - STRIP) / 2 + 1);
      free = x + half + 8;
    }
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

/** Grey of a coherence 0…1: black is none, white is all. @param {number} level 0…LEVELS */
const grey = (level) => {
  const v = Math.round(26 + (level / LEVELS) * 212);
  return `rgb(${v} ${v} ${v})`;
};

/**
 * @param {Pick<CanvasRenderingContext2D, 'fillStyle'|'fillRect'|'strokeStyle'|'strokeRect'|'lineWidth'>} ctx
 * @param {number[]} grid Hz
 * @param {import('../draw/trace.js').Curve} curve
 * @param {{left: number, top: number, width: number, height: number}} box
 * @param {(hz: number) => number} x in the units of box
 * @param {CanvasPattern|string|null} untrusted
 */
export function paintStrip(ctx, grid, curve, box, x, untrusted) {
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
  ctx.strokeStyle = currentInk().rule;
  ctx.lineWidth = 1;
  ctx.strokeRect(box.left + 0.5, box.top + 0.5, box.width - 1, box.height - 1);
}
