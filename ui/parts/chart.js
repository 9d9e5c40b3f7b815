// @ts-check
// Magnitude above the spine, phase below it, one plumb line through both; whose curves is the owner's business.

import * as address from '../core/address.js';
import { el, say } from '../core/dom.js';
import { frequency, signed } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { decades, every } from '../draw/axes.js';
import { gestures, scale, within } from '../draw/gestures.js';
import { clipped, keysBeside, placeNames, roomBeside } from '../draw/names.js';
import { Plot } from '../draw/plot.js';
import { lastTrusted, line, ribbon, trusted } from '../draw/trace.js';
import { Panel } from './panel.js';
import { Spine } from './spine.js';

/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/axes.js').Range} Range */
/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {'magnitude'|'phase'} PlotName */

/**
 * One response on both plots.
 * @typedef {object} Drawn
 * @property {string} name at its end
 * @property {number} ink of the palette; −1 is the ink of the text, −2 the quiet one
 * @property {number[]} dash
 * @property {boolean} front its ribbon and its line are strong
 * @property {boolean} [heavy] its line is strong
 * @property {boolean} [band] its ribbon is strong
 * @property {boolean} [stored] it is no live one
 * @property {string} [short] its name where there is no room for it
 * @property {number[]} grid Hz
 * @property {(xs: ArrayLike<number>) => Curve} [magnitude]
 * @property {(xs: ArrayLike<number>) => Curve} [phase]
 */
/** @typedef {{title: string, unit: string, range: Range, splits: (lo: number, hi: number, pixels: number) => number[], tick: (v: number) => string}} Lower */
/**
 * @typedef {object} ChartOptions
 * @property {() => void} redraw
 * @property {() => Drawn[]} curves the one in front last
 * @property {boolean} [compact] magnitude alone
 * @property {string} [phaseTitle]
 * @property {() => Lower} [lower] how the lower plot is measured out, if not in wrapped degrees
 * @property {() => Range|null} [level] where the magnitude axis is at home, if not where the curves are
 * @property {(s: Surface) => void} [besidePhase] what stands beside the lower plot, where there is room
 * @property {number} [span] dB, of the magnitude axis
 * @property {(s: Surface, plot: PlotName) => void} [under]
 * @property {(step: -1|1) => void} [flick]
 * @property {(plot: PlotName, kind: 'png'|'svg'|'csv') => void} save
 * @property {() => void} table
 */

/** @type {Range} */
const WHOLE = [20, 20000];
/** @type {Lower} */
export const WRAPPED = { title: 'Phase', unit: 'degrees', range: [-180, 180], splits: () => [-180, -90, 0, 90, 180], tick: (v) => signed(v, 0) };
const SPAN_DB = 48;
const MOST_NAMES = 12;
const MOST_RIBBONS = 4;
const AXIS = 46;

/** @param {number} ink of a Drawn @param {{curves: string[], ink: string, quiet: string}} palette */
export function colourOf(ink, palette) {
  return ink === -1 ? palette.ink : ink === -2 ? palette.quiet : palette.curves[ink % palette.curves.length];
}

export class Chart {
  #view;
  #options;
  #magnitude;
  #phase;
  #spine = new Spine();
  #plumb = el('div', { class: 'plumb', 'aria-hidden': 'true' }, el('span', { class: 'tag' }), el('span', { class: 'bob' }));
  #tag = /** @type {HTMLElement} */ (this.#plumb.firstChild);
  /** @type {Panel} */
  magnitudePanel;
  /** @type {Panel} */
  phasePanel;
  #letGo;
  #centred = false;
  /** Room for names beside the plots, pixels of the layout; 0: they stand on it. */
  #apart = 0;
  #apartOf = '';
  /** @type {Range|null} what the operator chose; null is the whole range */
  #chosenX = address.range('hz');
  /** @type {Range|null} */
  #chosenY = address.range('db');
  node;

  /** @param {View} view @param {ChartOptions} options */
  constructor(view, options) {
    this.#view = view;
    this.#options = options;
    const home = () => this.home();
    const lower = () => options.lower?.() ?? WRAPPED;
    const { table, save } = options;
    this.magnitudePanel = new Panel({ id: 'magnitude', title: 'Magnitude', term: 'response', unit: 'dB', home, table, save: (k) => save('magnitude', k) });
    this.phasePanel = new Panel({ id: 'phase', title: options.phaseTitle ?? 'Phase', unit: 'degrees', home, table, save: (k) => save('phase', k) });
    this.node = el('div', { class: `spectrum${options.compact ? ' compact' : ''}` }, this.magnitudePanel.node, this.#spine.node, options.compact ? null : this.phasePanel.node, this.#plumb);
    const x = { range: this.#chosenX ?? WHOLE, log: true, splits: decades, tick: String, size: 0 };
    this.#magnitude = new Plot(this.magnitudePanel.host, {
      x, y: { range: this.#chosenY ?? [12 - (options.span ?? SPAN_DB), 12], splits: decibels, tick: (v) => signed(v, 0), size: AXIS },
      under: (s) => this.#paint(s, 'magnitude'), over: (s) => this.#names(s), beside: (s) => this.#keys(s), resized: options.redraw,
    });
    this.#phase = options.compact ? null : new Plot(this.phasePanel.host, {
      x, y: { range: WRAPPED.range, splits: (lo, hi, pixels) => lower().splits(lo, hi, pixels), tick: (v) => lower().tick(v), size: AXIS },
      under: (s) => this.#paint(s, 'phase'), beside: (s) => (this.#apart ? options.besidePhase?.(s) : undefined), resized: options.redraw,
    });
    this.#centred = this.#chosenY !== null;
    this.#letGo = this.#plots().map((plot) => this.#hands(plot));
  }

  close() {
    for (const off of this.#letGo) off();
    for (const plot of this.#plots()) plot.close();
  }

  get plots() {
    return { magnitude: this.#magnitude, phase: this.#phase };
  }

  draw() {
    this.#makeRoom();
    this.#centre();
    const lower = this.#options.lower?.();
    if (lower && this.#phase) {
      this.#phase.yRange = lower.range;
      this.phasePanel.rename(lower.title, lower.unit);
    }
    for (const plot of this.#plots()) plot.draw();
    const seen = this.#plots().find((p) => p.seen);
    if (!seen) return;
    const front = this.#options.curves().at(-1);
    const curve = (front?.magnitude ?? front?.phase)?.([]);
    this.#spine.draw(seen, front?.grid ?? [], curve ?? { xs: [], mid: [] }, this.#hang(seen));
    this.magnitudePanel.atHome(!this.#chosenX && !this.#chosenY);
    this.phasePanel.atHome(!this.#chosenX);
  }

  home() {
    this.#chosenX = this.#chosenY = null;
    this.#centred = false;
    address.set('hz', null);
    address.set('db', null);
    for (const plot of this.#plots()) plot.xRange = [...WHOLE];
    this.#options.redraw();
  }

  /** Something else is shown: the axis goes where that is at home. */
  levelAnew() {
    this.#chosenY = null;
    address.set('db', null);
    this.#centred = false;
  }

  /** Other curves may lie elsewhere: the axis goes where they are, unless somebody set it. */
  lookAgain() {
    if (!this.#chosenY) this.#centred = false;
  }

  /** @param {number} by about the plumb line; under 1 comes closer */
  zoom(by) {
    const [lo, hi] = this.#magnitude.xRange;
    const at = Math.log(this.#view.at / lo) / Math.log(hi / lo);
    this.#setX(scale([lo, hi], Math.min(1, Math.max(0, at)), by, true));
  }

  #plots() {
    return this.#phase ? [this.#magnitude, this.#phase] : [this.#magnitude];
  }

  /** @param {Surface} s @param {PlotName} plot */
  #paint(s, plot) {
    this.#options.under?.(s, plot);
    const curves = this.#options.curves().filter((c) => c[plot]);
    const ink = currentInk();
    // Wide lines are what costs (measured): with many curves only the one in front may have one.
    const thin = curves.length > MOST_RIBBONS ? 1 / s.ratio : 1.25 * ink.line;
    for (const drawn of curves) {
      const curve = drawn.grid.length ? drawn[plot]?.(s.positions(drawn.grid)) : null;
      if (!curve) continue;
      const { front } = drawn;
      const style = { colour: colourOf(drawn.ink, ink), width: (front || drawn.heavy ? 2 * ink.line : thin) * (front || drawn.heavy ? s.ratio : 1), dash: drawn.dash.map((d) => d * s.ratio), fill: ink.dark ? 0.34 : 0.26, outline: 0.75 };
      if (front) ribbon(s.ctx, curve, s.y, style);
      else if (drawn.band) ribbon(s.ctx, curve, s.y, { ...style, fill: 0.2 });
      else if (curves.length <= MOST_RIBBONS) ribbon(s.ctx, curve, s.y, { ...style, fill: 0.12, outline: 0.35 });
      line(s.ctx, curve, s.y, style);
    }
  }

  /** Names at the curves' ends. @param {Surface} s */
  #names(s) {
    const ink = currentInk();
    const curves = this.#options.curves();
    if (curves.length > MOST_NAMES || this.#apart) return;
    const right = s.box.left + s.box.width;
    const labels = [];
    s.ctx.font = `600 ${13 * s.ratio}px system-ui, sans-serif`;
    const most = Math.max(96 * s.ratio, s.box.width * 0.24);
    const names = apart(curves.map((c) => c.name));
    for (const [k, { ink: colour, grid, magnitude }] of curves.entries()) {
      const name = clipped(s.ctx, names[k], most);
      const curve = grid.length && name ? magnitude?.(s.positions(grid)) : null;
      const i = curve ? lastTrusted(curve, right - 6 * s.ratio) : -1;
      if (!curve || i < 0) continue;
      // Above the highest point that the name would cover.
      const reach = curve.xs[i] - s.ctx.measureText(name).width - 8 * s.ratio;
      let y = s.y(/** @type {number} */ (curve.mid[i]));
      for (let j = i; j >= 0 && curve.xs[j] > reach; j--) if (curve.mid[j] !== null) y = Math.min(y, s.y(/** @type {number} */ (curve.mid[j])));
      labels.push({ x: curve.xs[i], y, name, colour: colourOf(colour, ink) });
    }
    placeNames(s, labels, ink.ground);
  }

  /** Names beside the plot, in the room made for them. @param {Surface} s */
  #keys(s) {
    if (!this.#apart) return;
    const ink = currentInk();
    const curves = this.#options.curves().filter((c) => c.name);
    const names = apart(curves.map((c) => c.name));
    const right = s.box.left + s.box.width;
    const keys = curves.map(({ ink: colour, grid, magnitude, dash, front, heavy, short }, k) => {
      const curve = grid.length ? magnitude?.(s.positions(grid)) : null;
      const i = curve ? lastTrusted(curve, right) : -1;
      const y = curve && i >= 0 ? s.y(/** @type {number} */ (curve.mid[i])) : s.box.top + s.box.height;
      return { x: right, y: Math.min(s.box.top + s.box.height, Math.max(s.box.top, y)), name: names[k], short: short ?? '', colour: colourOf(colour, ink), dash, strong: front || !!heavy };
    });
    keysBeside(s, keys, this.#apart, ink.quiet);
  }

  /** Room for the names of several curves, so that they lie over none of them. */
  #makeRoom() {
    const curves = this.#options.curves().filter((c) => c.name);
    const names = apart(curves.map((c) => c.name));
    const { canvas } = this.#magnitude;
    const ctx = canvas.getContext('2d');
    const ratio = devicePixelRatio * unit();
    const key = `${canvas.width},${ratio},${names.join()}`;
    if (key !== this.#apartOf && ctx) {
      this.#apartOf = key;
      this.#apart = names.length < 2 ? 0 : roomBeside(ctx, names, ratio, canvas.width / ratio, curves.every((c) => c.short));
    }
    for (const plot of this.#plots()) plot.beside = this.#apart;
  }

  /** The plumb line. @param {Plot} plot @returns {[number, number]} what of the axis its tag covers */
  #hang(plot) {
    const { left, top, width } = plot.area;
    const x = plot.toX(this.#view.at);
    this.#plumb.hidden = !(x >= 0 && x <= width);
    this.#plumb.style.transform = `translateX(${left + x}px)`;
    const flipped = x > width - 90 * unit();
    this.#plumb.classList.toggle('right', flipped);
    const first = plot === this.#magnitude ? this.magnitudePanel.host.offsetTop + top : this.#spine.node.offsetTop;
    this.#plumb.style.top = `${first}px`;
    this.#plumb.style.setProperty('--spine', `${this.#spine.node.offsetTop + 12 * unit() - first}px`);
    const text = frequency(this.#view.at);
    say(this.#tag, text);
    const wide = (16 + 8.2 * text.length) * unit(); // measuring it would lay the page out anew
    return this.#plumb.hidden ? [0, 0] : flipped ? [x - wide, x] : [x, x + wide];
  }

  /** The magnitude axis stays where it is, once the first trusted data said where that should be. */
  #centre() {
    if (this.#centred) return;
    const level = this.#options.level?.();
    if (level) {
      this.#magnitude.yRange = level;
      this.#centred = true;
      return;
    }
    const values = [];
    for (const { front, magnitude, grid } of this.#options.curves()) {
      const curve = front ? magnitude?.(grid) : null;
      if (!curve) continue;
      for (let i = 0; i < curve.mid.length; i++) {
        const v = curve.mid[i];
        if (v !== null && Number.isFinite(v) && trusted(curve, i)) values.push(v);
      }
    }
    if (values.length < 24) return;
    values.sort((a, b) => a - b);
    const top = Math.ceil((values[Math.floor(values.length * 0.6)] + 12) / 6) * 6;
    this.#magnitude.yRange = [top - (this.#options.span ?? SPAN_DB), top];
    this.#centred = true;
  }

  /** @param {Range} x */
  #setX(x) {
    const kept = within(x, WHOLE, 1.3, true);
    const whole = kept[0] <= WHOLE[0] * 1.001 && kept[1] >= WHOLE[1] * 0.999;
    this.#chosenX = whole ? null : kept;
    address.set('hz', this.#chosenX);
    for (const plot of this.#plots()) plot.xRange = whole ? [...WHOLE] : [...kept];
    this.#options.redraw();
  }

  /** @param {Plot} plot */
  #hands(plot) {
    const magnitude = plot === this.#magnitude;
    const host = magnitude ? this.magnitudePanel.host : this.phasePanel.host;
    return gestures({
      surface: host,
      area: () => plot.area,
      view: () => ({ x: [...plot.xRange], y: [...plot.yRange] }),
      setView: (x, y) => {
        if (magnitude && (y[0] !== plot.yRange[0] || y[1] !== plot.yRange[1])) {
          plot.yRange = within(y, [-160, 120], 3, false);
          this.#chosenY = plot.yRange;
          this.#centred = true;
          address.set('db', plot.yRange);
        }
        this.#setX(x);
      },
      log: true,
      freeY: magnitude,
      home: () => !this.#chosenX,
      goHome: () => this.home(),
      point: (px) => this.#view.setAt(Math.min(WHOLE[1], Math.max(WHOLE[0], plot.fromX(px)))),
      flick: this.#options.flick,
    });
  }
}

/** Names without an ending that all of them have: “main, seat 1” and “fill, seat 1” are main and fill. @param {string[]} names */
export function apart(names) {
  const ending = /,[^,]*$/.exec(names[0] ?? '')?.[0] ?? '';
  return names.length > 1 && ending && names.every((n) => n.endsWith(ending)) ? names.map((n) => n.slice(0, -ending.length)) : names;
}

/** A line every 6 dB; finer only where somebody came closer. @param {number} lo @param {number} hi @param {number} pixels */
const decibels = (lo, hi, pixels) => every(hi - lo > 30 ? [6, 12, 24] : [1, 2, 3, 6], 21)(lo, hi, pixels);

/** Index of the grid point nearest to a frequency. @param {number[]} grid @param {number} hz */
export function nearest(grid, hz) {
  let lo = 0;
  let hi = grid.length - 1;
  while (hi - lo > 1) {
    const mid = (lo + hi) >> 1;
    if (grid[mid] < hz) lo = mid;
    else hi = mid;
  }
  return lo < hi && hz / Math.max(1e-9, grid[lo]) > grid[hi] / hz ? hi : lo;
}
