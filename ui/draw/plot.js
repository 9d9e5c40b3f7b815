// @ts-check
// One plot with fixed scales: axes, sizes and pixel ratios are uPlot's, the curves are ours (trace.js).
// The only module that knows uPlot.

import uPlot from '../vendor/uplot-1.6.32/uPlot.esm.js';
import { currentInk, onInk } from '../core/theme.js';

/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {[number, number]} Range */
/**
 * @typedef {object} Surface where to draw and how values become canvas pixels
 * @property {CanvasRenderingContext2D} ctx
 * @property {(xs: number[]) => Float32Array} positions
 * @property {(v: number) => number} x
 * @property {(v: number) => number} y
 * @property {{left: number, top: number, width: number, height: number}} box
 * @property {number} ratio canvas pixels per CSS pixel
 */
/**
 * @typedef {object} Axis
 * @property {Range} range
 * @property {boolean} [log]
 * @property {(lo: number, hi: number, pixels: number) => number[]} splits pixels: CSS, along the axis
 * @property {(v: number) => string} tick
 * @property {number} size CSS pixels; 0 leaves the axis away, its grid stays
 */

export class Plot {
  /** @type {Range} */
  xRange;
  /** @type {Range} */
  yRange;
  #options;
  #host;
  /** @type {uPlot} */
  #u;
  #observer;
  #offInk;
  #data = [[1, 2], [null, null]];
  /** @type {{key: string, xs: number[]|null, at: Float32Array}} */
  #cache = { key: '', xs: null, at: new Float32Array(0) };

  /**
   * @param {HTMLElement} host its size is the plot's
   * @param {{x: Axis, y: Axis, under?: (s: Surface) => void, over?: (s: Surface) => void, resized?: () => void}} options
   */
  constructor(host, options) {
    this.#host = host;
    this.#options = options;
    this.xRange = [...options.x.range];
    this.yRange = [...options.y.range];
    this.#u = this.#make();
    this.#observer = new ResizeObserver(() => this.#resize());
    this.#observer.observe(host);
    this.#offInk = onInk(() => {
      this.#u.destroy();
      this.#u = this.#make();
    });
  }

  close() {
    this.#observer.disconnect();
    this.#offInk();
    this.#u.destroy();
  }

  /** Draws once; call it from an animation frame. */
  draw() {
    if (this.#u.width > 1) this.#u.setData(/** @type {any} */ (this.#data));
  }

  /** The element over the plotting area, for pointers. */
  get surface() {
    return /** @type {HTMLElement} */ (this.#u.over);
  }

  get canvas() {
    return this.#u.ctx.canvas;
  }

  /** Plotting area in CSS pixels, relative to the host. */
  get area() {
    const { bbox } = this.#u;
    const k = uPlot.pxRatio;
    return { left: bbox.left / k, top: bbox.top / k, width: bbox.width / k, height: bbox.height / k };
  }

  /** @param {number} v @returns {number} CSS pixels from the left of the plotting area */
  toX(v) {
    return this.#u.valToPos(v, 'x');
  }

  /** @param {number} v @returns {number} CSS pixels from the top of the plotting area */
  toY(v) {
    return this.#u.valToPos(v, 'y');
  }

  /** @param {number} px CSS pixels from the left of the plotting area */
  fromX(px) {
    return this.#u.posToVal(px, 'x');
  }

  /** @param {number} px CSS pixels from the top of the plotting area */
  fromY(px) {
    return this.#u.posToVal(px, 'y');
  }

  #make() {
    const ink = currentInk();
    const { x, y } = this.#options;
    const font = '12px system-ui, sans-serif';
    /** @param {Axis} axis @param {'x'|'y'} scale */
    const axis = (axis, scale) => ({
      scale,
      side: scale === 'x' ? 2 : 3,
      stroke: ink.quiet,
      font,
      size: axis.size,
      gap: 6,
      labelGap: 0,
      grid: { stroke: ink.faint, width: 1 / uPlot.pxRatio },
      ticks: { show: false },
      border: { show: false },
      splits: (/** @type {uPlot} */ _u, /** @type {number} */ _i, /** @type {number} */ lo, /** @type {number} */ hi) => axis.splits(lo, hi, this.#length(scale)),
      filter: (/** @type {uPlot} */ _u, /** @type {number[]} */ splits) => splits,
      values: (/** @type {uPlot} */ _u, /** @type {number[]} */ splits) => splits.map((v) => (axis.size ? axis.tick(v) : '')),
    });
    const options = {
      ...this.#size(),
      pxAlign: 0,
      padding: [6, 24, x.size ? 0 : 6, 0],
      legend: { show: false },
      cursor: { show: false },
      select: { show: false, left: 0, top: 0, width: 0, height: 0 },
      scales: {
        x: { time: false, distr: x.log ? 3 : 1, range: () => this.xRange },
        y: { range: () => this.yRange },
      },
      axes: [axis(x, 'x'), axis(y, 'y')],
      series: [{}, { show: true, points: { show: false }, paths: () => null }],
      hooks: {
        drawAxes: [() => this.#paint(this.#options.under)],
        draw: [() => this.#paint(this.#options.over)],
      },
    };
    return new uPlot(/** @type {any} */ (options), /** @type {any} */ (this.#data), this.#host);
  }

  /** @param {'x'|'y'} scale @returns {number} CSS pixels, near enough for ticks while the first layout is under way */
  #length(scale) {
    const { width, height } = this.#size();
    return scale === 'x' ? width - this.#options.y.size : height - this.#options.x.size;
  }

  #size() {
    return { width: Math.max(1, this.#host.clientWidth), height: Math.max(1, this.#host.clientHeight) };
  }

  #resize() {
    const size = this.#size();
    if (size.width === this.#u.width && size.height === this.#u.height) return;
    this.#u.setSize(size);
    this.#options.resized?.();
  }

  /** @param {((s: Surface) => void)|undefined} painter */
  #paint(painter) {
    if (!painter) return;
    const u = this.#u;
    const { ctx, bbox } = u;
    if (bbox.width < 2 || bbox.height < 2) return;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    painter({
      ctx,
      box: bbox,
      ratio: uPlot.pxRatio,
      positions: (xs) => this.#positions(xs),
      x: (v) => u.valToPos(v, 'x', true),
      y: (v) => u.valToPos(v, 'y', true),
    });
    ctx.restore();
  }

  /** Positions of a whole grid, kept while neither grid nor view changes. @param {number[]} xs */
  #positions(xs) {
    const { bbox } = this.#u;
    const key = `${bbox.left},${bbox.width},${this.xRange},${xs.length}`;
    const cache = this.#cache;
    if (cache.key === key && cache.xs === xs) return cache.at;
    if (cache.at.length !== xs.length) cache.at = new Float32Array(xs.length);
    const by = this.#options.x.log ? Math.log : (/** @type {number} */ v) => v;
    const lo = by(this.xRange[0]);
    const scale = bbox.width / (by(this.xRange[1]) - lo);
    for (let i = 0; i < xs.length; i++) cache.at[i] = bbox.left + (by(xs[i]) - lo) * scale;
    cache.key = key;
    cache.xs = xs;
    return cache.at;
  }
}

/** 1-2-5 ticks of a frequency axis. @param {number} lo @param {number} hi */
export function decades(lo, hi) {
  const out = [];
  const narrow = hi / lo < 6;
  const mantissas = narrow ? [1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8] : [1, 2, 5];
  for (let d = 10 ** Math.floor(Math.log10(lo)); d <= hi; d *= 10) {
    for (const m of mantissas) if (m * d >= lo * 0.9999 && m * d <= hi * 1.0001) out.push(Number((m * d).toPrecision(4)));
  }
  return out;
}

/** Ticks at the closest of these steps that leaves room for them. @param {number[]} steps ascending @param {number} room CSS pixels a tick */
export function every(steps, room) {
  return (/** @type {number} */ lo, /** @type {number} */ hi, /** @type {number} */ pixels) => {
    const step = steps.find((s) => (hi - lo) / s <= pixels / room) ?? steps[steps.length - 1];
    const out = [];
    for (let v = Math.ceil(lo / step - 1e-6) * step; v <= hi + step * 1e-6; v += step) out.push(Number(v.toPrecision(8)));
    return out;
  };
}
