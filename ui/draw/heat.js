// @ts-check
// A ring of columns of colour: one column a step of time, one row a band, painted as a picture.

import { CIVIDIS, cividisIndex } from './cividis.js';

export class HeatRing {
  #canvas;
  #context;
  #image;
  #stale = true;
  columns;
  rows;

  /** @param {number} columns in the ring @param {number} rows */
  constructor(columns, rows) {
    this.columns = columns;
    this.rows = rows;
    this.#canvas = new OffscreenCanvas(columns, rows);
    this.#context = /** @type {OffscreenCanvasRenderingContext2D} */ (this.#canvas.getContext('2d'));
    this.#image = this.#context.createImageData(columns, rows);
  }

  /**
   * @param {number} slot in the ring
   * @param {ArrayLike<number>} values the lowest row first; NaN is left blank
   * @param {number} at where in values the column begins
   * @param {[number, number]} range of the scale
   */
  put(slot, values, at, [low, high]) {
    const { data } = this.#image;
    for (let row = 0; row < this.rows; row++) {
      const v = values[at + row];
      const k = 4 * ((this.rows - 1 - row) * this.columns + slot);
      data[k + 3] = Number.isNaN(v) ? 0 : 255;
      if (Number.isNaN(v)) continue;
      const c = 3 * cividisIndex(v, low, high);
      data[k] = CIVIDIS[c];
      data[k + 1] = CIVIDIS[c + 1];
      data[k + 2] = CIVIDIS[c + 2];
    }
    this.#stale = true;
  }

  /**
   * Paints columns from one to another, both included; more than the ring holds makes no sense.
   * @param {CanvasRenderingContext2D} ctx
   * @param {number} from @param {number} to
   * @param {(column: number) => number} x canvas pixels of a column's left edge
   * @param {number} top @param {number} height canvas pixels
   */
  paint(ctx, from, to, x, top, height) {
    if (this.#stale) this.#context.putImageData(this.#image, 0, 0);
    this.#stale = false;
    ctx.imageSmoothingEnabled = false;
    for (let a = from; a <= to; ) {
      const slot = a % this.columns;
      const n = Math.min(to - a + 1, this.columns - slot); // up to the seam of the ring
      ctx.drawImage(this.#canvas, slot, 0, n, this.rows, x(a), top, x(a + n) - x(a), height);
      a += n;
    }
  }
}
