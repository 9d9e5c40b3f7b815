// @ts-check
// Between level and bands: the clock, and a strip that is filled where the log is, hatched where it is not.

import { el } from '../core/dom.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { FONT, paintWords } from '../draw/axes.js';
import { momentTick, moments } from '../draw/times.js';

const STRIP = 10;

export class TimeSpine {
  #canvas = el('canvas', { role: 'img', 'aria-label': 'The clock: filled where the log is, hatched where it is not; in the table under Export' });
  node = el('div', { class: 'spine time-spine' }, this.#canvas);

  /**
   * @param {import('../draw/plot.js').Plot} plot its time axis
   * @param {import('../draw/levelcolumns.js').LevelColumns} layer @param {number} from @param {number} to columns @param {number} now
   * @param {[number, number]} tag what of the axis lies under the tag of the plumb line, CSS pixels in the plot
   */
  draw(plot, layer, from, to, now, tag) {
    const ratio = devicePixelRatio || 1;
    const { clientWidth: wide, clientHeight: high } = this.node;
    if (!wide) return;
    if (this.#canvas.width !== Math.round(wide * ratio) || this.#canvas.height !== Math.round(high * ratio)) {
      this.#canvas.width = Math.round(wide * ratio);
      this.#canvas.height = Math.round(high * ratio);
    }
    const ctx = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext('2d'));
    const ink = currentInk();
    const { left, width } = plot.area;
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, wide, high);
    const x = (/** @type {number} */ t) => Math.min(left + width, Math.max(left, left + plot.toX(t)));

    const end = layer.at(now);
    for (let column = from; column <= Math.min(to, end); ) {
      const kind = kindOf(layer, column);
      const start = column;
      while (column <= Math.min(to, end) && kindOf(layer, column) === kind) column++;
      if (kind === 'unknown' || (kind === 'none' && column > end - 3)) continue; // not read, or not written yet
      const a = x(start * layer.step);
      const b = Math.max(a + 1, x(column * layer.step));
      ctx.fillStyle = kind === 'whole' ? ink.quiet : ink.faint;
      ctx.fillRect(a, 4, b - a, STRIP - 4);
      if (kind === 'whole') continue;
      ctx.save();
      ctx.beginPath();
      ctx.rect(a, 1, b - a, STRIP);
      ctx.clip();
      ctx.strokeStyle = ink.ink;
      ctx.lineWidth = 1;
      ctx.beginPath();
      for (let k = a - STRIP; k < b; k += 5) {
        ctx.moveTo(k, STRIP + 1);
        ctx.lineTo(k + STRIP, 1);
      }
      ctx.stroke();
      ctx.restore();
    }

    ctx.font = `${12 * unit()}${FONT}`;
    ctx.textBaseline = 'middle';
    ctx.fillStyle = ink.quiet;
    const [lo, hi] = plot.xRange;
    paintWords(ctx, { splits: moments(lo, hi, width / unit()), tick: (t) => momentTick(t, hi - lo), at: x }, STRIP + (high - STRIP) / 2 + 1, { ends: [left, wide], covered: [left + tag[0], left + tag[1]] });
  }
}

/** @param {import('../draw/levelcolumns.js').LevelColumns} layer @param {number} column */
function kindOf(layer, column) {
  const slot = layer.slot(column);
  if (slot < 0) return 'unknown';
  return layer.covered[slot] > 0.5 * layer.step ? 'whole' : layer.covered[slot] > 0 ? 'part' : 'none';
}
