// @ts-check
// One plot on the page: a canvas as large as its host, axes with fixed scales, and whatever its owner paints on them.

import { el } from '../core/dom.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { along, paintAxes } from './axes.js';

/** @typedef {import('./axes.js').Range} Range */
/**
 * @typedef {object} Surface where to draw and how values become canvas pixels
 * @property {CanvasRenderingContext2D} ctx
 * @property {(xs: number[]) => Float32Array} positions
 * @property {(v: number) => number} x
 * @property {(v: number) => number} y
 * @property {import('./axes.js').Box} box
 * @property {number} ratio canvas pixels per pixel of the layout: more where type is larger
 */
/**
 * @typedef {object} Axis
 * @property {Range} range
 * @property {boolean} [log]
 * @property {(lo: number, hi: number, pixels: number) => number[]} splits pixels: of the layout, along the axis
 * @property {(v: number) => string} tick
 * @property {number} size pixels of the layout; 0 leaves the axis away, its grid stays
 */

// Pixels of the layout.
const TOP = 6;
const RIGHT = 24; // half a word of the axis
const FONT = 12;
const GAP = 6;

export class Plot {
  /** @type {Range} */
  xRange;
  /** @type {Range} */
  yRange;
  #options;
  #host;
  #canvas = el('canvas', { role: 'img' });
  #ctx = /** @type {CanvasRenderingContext2D} */ (this.#canvas.getContext('2d'));
  /** CSS pixels of the host, canvas pixels for each, and CSS pixels for one of the layout. */
  #size = { width: 0, height: 0, ratio: 1, unit: 1 };
  /** Plotting area in canvas pixels. */
  #box = { left: 0, top: 0, width: 0, height: 0 };
  #observer;
  #offRatio;
  #beside = 0;
  /** @type {{key: string, xs: number[]|null, at: Float32Array}} */
  #cache = { key: '', xs: null, at: new Float32Array(0) };

  /**
   * @param {HTMLElement} host its size is the plot's
   * @param {{x: Axis, y: Axis, under: (s: Surface) => void, over?: (s: Surface) => void, beside?: (s: Surface) => void, resized: () => void}} options
   *   beside: what stands outside of the plotting area, where room was made for it
   */
  constructor(host, options) {
    this.#host = host;
    this.#options = options;
    this.xRange = [...options.x.range];
    this.yRange = [...options.y.range];
    this.#canvas.setAttribute('aria-label', host.dataset.name ?? '');
    host.append(this.#canvas);
    this.#fit();
    const look = () => {
      if (!this.#fit()) return;
      this.draw();
      options.resized();
    };
    this.#observer = new ResizeObserver(look);
    this.#observer.observe(host);
    this.#offRatio = onRatio(look);
  }

  close() {
    this.#observer.disconnect();
    this.#offRatio();
    this.#canvas.remove();
  }

  /** Draws once; call it from an animation frame. */
  draw() {
    const { x, y, under, over } = this.#options;
    const ctx = this.#ctx;
    const box = this.#box;
    const ratio = this.#size.ratio * this.#size.unit;
    if (box.width < 2 || box.height < 2) return;
    const ink = currentInk();
    const place = this.#places(box.left, box.top, box.width, box.height);
    ctx.clearRect(0, 0, this.#canvas.width, this.#canvas.height);
    paintAxes(ctx, box,
      { splits: x.splits(...this.xRange, box.width / ratio), tick: x.tick, at: place.x.at },
      { splits: y.splits(...this.yRange, box.height / ratio), tick: y.tick, at: place.y.at },
      { grid: ink.faint, words: ink.quiet, font: FONT * ratio, gap: GAP * ratio, below: x.size ? GAP * ratio : undefined, crisp: true });
    ctx.save();
    ctx.beginPath();
    ctx.rect(box.left, box.top, box.width, box.height);
    ctx.clip();
    const surface = { ctx, box, ratio, positions: (/** @type {number[]} */ xs) => this.#positions(xs, place.x.at), x: place.x.at, y: place.y.at };
    for (const paint of [under, over]) {
      ctx.save();
      paint?.(surface);
      ctx.restore();
    }
    ctx.restore();
    if (!this.#options.beside) return;
    ctx.save();
    this.#options.beside(surface);
    ctx.restore();
  }

  /** Room at the right of the plotting area, pixels of the layout. @param {number} px */
  set beside(px) {
    if (px === this.#beside) return;
    this.#beside = px;
    this.#lay();
  }

  /** It can be seen, as far as its page goes. */
  get seen() {
    return this.#box.width > 10 && this.#canvas.offsetParent !== null;
  }

  get canvas() {
    return this.#canvas;
  }

  /** Plotting area in CSS pixels, relative to the host. */
  get area() {
    const { left, top, width, height } = this.#box;
    const { ratio } = this.#size;
    return { left: left / ratio, top: top / ratio, width: width / ratio, height: height / ratio };
  }

  /** @param {number} v @returns {number} CSS pixels from the left of the plotting area */
  toX(v) {
    return this.#onArea().x.at(v);
  }

  /** @param {number} v @returns {number} CSS pixels from the top of the plotting area */
  toY(v) {
    return this.#onArea().y.at(v);
  }

  /** @param {number} px CSS pixels from the left of the plotting area */
  fromX(px) {
    return this.#onArea().x.from(px);
  }

  /** @param {number} px CSS pixels from the top of the plotting area */
  fromY(px) {
    return this.#onArea().y.from(px);
  }

  #onArea() {
    const { width, height } = this.area;
    return this.#places(0, 0, width, height);
  }

  /** @param {number} left @param {number} top @param {number} width @param {number} height */
  #places(left, top, width, height) {
    return { x: along(this.xRange, this.#options.x.log, left, left + width), y: along(this.yRange, this.#options.y.log, top + height, top) };
  }

  /** Takes over the host's size and the screen's pixels; says whether they have changed. */
  #fit() {
    const { clientWidth: width, clientHeight: height } = this.#host;
    const ratio = devicePixelRatio;
    const now = this.#size;
    if (width === now.width && height === now.height && ratio === now.ratio && unit() === now.unit) return false;
    this.#size = { width, height, ratio, unit: unit() };
    this.#canvas.width = Math.round(width * ratio);
    this.#canvas.height = Math.round(height * ratio);
    this.#lay();
    return true;
  }

  #lay() {
    const { x, y } = this.#options;
    const ratio = this.#size.ratio * this.#size.unit;
    const [width, height] = [this.#size.width / this.#size.unit, this.#size.height / this.#size.unit];
    const [left, top] = [Math.round(y.size * ratio), Math.round(TOP * ratio)];
    this.#box = {
      left, top, width: Math.max(0, Math.round((width - RIGHT - this.#beside) * ratio) - left),
      height: Math.max(0, Math.round((height - (x.size || TOP)) * ratio) - top),
    };
  }

  /** Positions of a whole grid, kept while neither grid nor view changes. @param {number[]} xs @param {(v: number) => number} at */
  #positions(xs, at) {
    const key = `${this.#box.left},${this.#box.width},${this.xRange},${xs.length}`;
    const cache = this.#cache;
    if (cache.key === key && cache.xs === xs) return cache.at;
    if (cache.at.length !== xs.length) cache.at = new Float32Array(xs.length);
    for (let i = 0; i < xs.length; i++) cache.at[i] = at(xs[i]);
    cache.key = key;
    cache.xs = xs;
    return cache.at;
  }
}

/** Tells of another screen, or another zoom: its pixels are finer or coarser. @param {() => void} listener @returns {() => void} */
function onRatio(listener) {
  /** @type {MediaQueryList} */
  let query;
  const changed = () => {
    watch();
    listener();
  };
  const watch = () => {
    query?.removeEventListener('change', changed);
    query = matchMedia(`(resolution: ${devicePixelRatio}dppx)`);
    query.addEventListener('change', changed);
  };
  watch();
  return () => query.removeEventListener('change', changed);
}
