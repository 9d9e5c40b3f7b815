// @ts-check
// Magnitude above the spine, phase below it, one plumb line through both.

import * as address from '../core/address.js';
import { el, say } from '../core/dom.js';
import { frequency, signed } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { currentInk } from '../core/theme.js';
import { gestures, scale, within } from '../draw/gestures.js';
import { Plot, decades, every } from '../draw/plot.js';
import { lastTrusted, line, ribbon, trusted } from '../draw/trace.js';
import { paintLight } from './light.js';
import { Panel } from './panel.js';
import { Spine } from './spine.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/plot.js').Range} Range */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/types.js').Values} Values */

/** @type {Range} */
const WHOLE = [20, 20000];
/** @type {Range} */
const PHASE = [-180, 180];
const SPAN_DB = 48;
export const DASHES = [[], [9, 4], [2, 3], [9, 3, 2, 3]];
const AXIS = 46;

/**
 * @typedef {object} SpectrumOptions
 * @property {() => void} redraw
 * @property {boolean} [compact] magnitude alone, nothing to set
 * @property {(step: -1|1) => void} [flick]
 * @property {(plot: 'magnitude'|'phase', kind: 'png'|'svg'|'csv') => void} save
 * @property {() => void} table
 */

export class Spectrum {
  #session;
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
  /** @type {Range|null} what the operator chose; null is the whole range */
  #chosenX = address.range('hz');
  /** @type {Range|null} */
  #chosenY = address.range('db');
  /** @type {Map<number, {low: Values, high: Values}>} */
  #phaseEdges = new Map();
  node;

  /** @param {Session} session @param {View} view @param {SpectrumOptions} options */
  constructor(session, view, options) {
    this.#session = session;
    this.#view = view;
    this.#options = options;
    const home = () => this.home();
    this.magnitudePanel = new Panel({ id: 'magnitude', title: 'Magnitude', unit: 'dB', home, table: options.table, save: (k) => options.save('magnitude', k) });
    this.phasePanel = new Panel({ id: 'phase', title: 'Phase', unit: 'degrees', home, table: options.table, save: (k) => options.save('phase', k) });
    this.node = el('div', { class: `spectrum${options.compact ? ' compact' : ''}` }, this.magnitudePanel.node, this.#spine.node, options.compact ? null : this.phasePanel.node, this.#plumb);
    const x = { range: this.#chosenX ?? WHOLE, log: true, splits: decades, tick: String, size: 0 };
    this.#magnitude = new Plot(this.magnitudePanel.host, {
      x, y: { range: this.#chosenY ?? [-36, 12], splits: every([1, 2, 3, 6, 12, 24], 21), tick: (v) => signed(v, 0), size: AXIS },
      under: (s) => this.#paintMagnitude(s), over: (s) => this.#names(s), resized: options.redraw,
    });
    this.#phase = options.compact ? null : new Plot(this.phasePanel.host, {
      x, y: { range: PHASE, splits: () => [-180, -90, 0, 90, 180], tick: (v) => signed(v, 0), size: AXIS },
      under: (s) => this.#paintPhase(s), resized: options.redraw,
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
    this.#centre();
    for (const plot of this.#plots()) plot.draw();
    const front = this.#front();
    const seen = this.#plots().find((p) => p.area.width > 10 && p.surface.offsetParent);
    if (!seen) return;
    this.#spine.draw(seen, this.#session.grid, this.curve(front, []));
    this.#hang(seen);
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

  /** @param {number} by about the plumb line; under 1 comes closer */
  zoom(by) {
    const [lo, hi] = this.#magnitude.xRange;
    const at = Math.log(this.#view.at / lo) / Math.log(hi / lo);
    this.#setX(scale([lo, hi], Math.min(1, Math.max(0, at)), by, true));
  }

  /** Magnitude of a channel with its certainty. @param {number} channel @param {ArrayLike<number>} xs @returns {Curve} */
  curve(channel, xs) {
    const { frame } = this.#session;
    return {
      xs, mid: frame.curve(channel, CURVE.magnitude), low: frame.curve(channel, CURVE.magnitudeLow), high: frame.curve(channel, CURVE.magnitudeHigh),
      coherence: frame.curve(channel, CURVE.coherence), threshold: frame.curve(channel, CURVE.threshold),
    };
  }

  /** Phase of a channel with its certainty. @param {number} channel @param {ArrayLike<number>} xs @returns {Curve} */
  phaseCurve(channel, xs) {
    const { frame } = this.#session;
    let edges = this.#phaseEdges.get(channel);
    if (!edges) this.#phaseEdges.set(channel, (edges = { low: [], high: [] }));
    const mid = frame.curve(channel, CURVE.phase);
    const error = frame.curve(channel, CURVE.phaseError);
    edges.low.length = edges.high.length = mid.length;
    for (let i = 0; i < mid.length; i++) {
      const m = mid[i];
      const e = error[i] ?? 180;
      edges.low[i] = m === null ? null : m - e;
      edges.high[i] = m === null ? null : m + e;
    }
    return { xs, mid, ...edges, coherence: frame.curve(channel, CURVE.coherence), threshold: frame.curve(channel, CURVE.threshold), wrap: 360 };
  }

  /** @param {number} channel */
  colour(channel) {
    const ink = currentInk();
    return ink.curves[this.#index(channel) % ink.curves.length];
  }

  /** @param {number} channel */
  dash(channel) {
    return DASHES[Math.floor(this.#index(channel) / 4) % DASHES.length];
  }

  /** @param {number} channel */
  #index(channel) {
    return Math.max(0, this.#known().indexOf(channel));
  }

  #known() {
    return this.#session.state?.settings.microphones ?? [];
  }

  #front() {
    return this.#view.front(this.#known());
  }

  #plots() {
    return this.#phase ? [this.#magnitude, this.#phase] : [this.#magnitude];
  }

  /** @param {import('../draw/plot.js').Surface} s */
  #paintMagnitude(s) {
    this.#lit(s, 'magnitude');
    this.#paint(s, (channel, xs) => this.curve(channel, xs));
  }

  /** @param {import('../draw/plot.js').Surface} s */
  #paintPhase(s) {
    this.#lit(s, 'phase');
    this.#paint(s, (channel, xs) => this.phaseCurve(channel, xs));
  }

  /** @param {import('../draw/plot.js').Surface} s @param {(channel: number, xs: Float32Array) => Curve} curveOf */
  #paint(s, curveOf) {
    const { grid } = this.#session;
    if (!grid.length) return;
    const xs = s.positions(grid);
    const shown = this.#view.shown(this.#known());
    const ink = currentInk();
    // Wide lines are what costs (measured): with many curves only the one in front may have one.
    const thin = shown.length > 4 ? 1 / s.ratio : 1.25 * ink.line;
    shown.forEach((channel, k) => {
      const front = k === shown.length - 1;
      const curve = curveOf(channel, xs);
      const style = { colour: this.colour(channel), width: (front ? 2 * ink.line : thin) * (front ? s.ratio : 1), dash: this.dash(channel).map((d) => d * s.ratio), fill: ink.dark ? 0.34 : 0.26, outline: 0.75 };
      if (front) ribbon(s.ctx, curve, s.y, style);
      else if (shown.length <= 4) ribbon(s.ctx, curve, s.y, { ...style, fill: 0.12, outline: 0.35 });
      line(s.ctx, curve, s.y, style);
    });
  }

  /** Names at the curves' ends. @param {import('../draw/plot.js').Surface} s */
  #names(s) {
    const { grid } = this.#session;
    const ink = currentInk();
    const shown = this.#view.shown(this.#known());
    if (!grid.length || shown.length > 12) return;
    const right = s.box.left + s.box.width;
    const labels = [];
    s.ctx.font = `600 ${13 * s.ratio}px system-ui, sans-serif`;
    for (const channel of shown) {
      const curve = this.curve(channel, s.positions(grid));
      const i = lastTrusted(curve, right - 6 * s.ratio);
      if (i < 0) continue;
      // Above the highest point that the name would cover.
      const reach = curve.xs[i] - s.ctx.measureText(this.#session.channelName(channel)).width - 8 * s.ratio;
      let y = s.y(/** @type {number} */ (curve.mid[i]));
      for (let k = i; k >= 0 && curve.xs[k] > reach; k--) if (curve.mid[k] !== null) y = Math.min(y, s.y(/** @type {number} */ (curve.mid[k])));
      labels.push({ x: curve.xs[i], y, channel });
    }
    const step = 15 * s.ratio;
    labels.sort((a, b) => a.y - b.y);
    for (let i = 0; i < labels.length; i++) {
      const wanted = labels[i].y - 10 * s.ratio;
      labels[i].y = Math.max(s.box.top + step * 0.7, i ? Math.max(wanted, labels[i - 1].y + step) : wanted);
    }
    const over = labels.length ? labels[labels.length - 1].y - (s.box.top + s.box.height - step / 2) : 0;
    s.ctx.textAlign = 'right';
    s.ctx.textBaseline = 'middle';
    s.ctx.lineJoin = 'round';
    for (const { x, y, channel } of labels) {
      const text = this.#session.channelName(channel);
      const at = Math.min(right - 6 * s.ratio, Math.max(x + 4 * s.ratio, s.box.left + s.ctx.measureText(text).width + 6 * s.ratio));
      const level = y - Math.max(0, over);
      s.ctx.strokeStyle = ink.ground;
      s.ctx.lineWidth = 3 * s.ratio;
      s.ctx.strokeText(text, at, level);
      s.ctx.fillStyle = this.colour(channel);
      s.ctx.fillText(text, at, level);
    }
  }

  /** @param {import('../draw/plot.js').Surface} s @param {'magnitude'|'phase'} plot */
  #lit(s, plot) {
    const about = this.#view.light?.about;
    if (!about) return;
    const front = this.#front();
    paintLight(s, about, plot, this.curve(front, s.positions(this.#session.grid)), this.#session.frame, front);
  }

  /** The plumb line. @param {Plot} plot */
  #hang(plot) {
    const { left, top, width } = plot.area;
    const x = plot.toX(this.#view.at);
    this.#plumb.hidden = !(x >= 0 && x <= width);
    this.#plumb.style.transform = `translateX(${left + x}px)`;
    this.#plumb.classList.toggle('right', x > width - 90);
    const first = plot === this.#magnitude ? this.magnitudePanel.host.offsetTop + top : this.#spine.node.offsetTop;
    this.#plumb.style.top = `${first}px`;
    this.#plumb.style.setProperty('--spine', `${this.#spine.node.offsetTop + 12 - first}px`);
    say(this.#tag, frequency(this.#view.at));
  }

  /** The magnitude axis stays where it is, once the first trusted data said where that should be. */
  #centre() {
    if (this.#centred) return;
    const curve = this.curve(this.#front(), this.#session.grid);
    const values = [];
    for (let i = 0; i < curve.mid.length; i++) {
      const v = curve.mid[i];
      if (v !== null && Number.isFinite(v) && trusted(curve, i)) values.push(v);
    }
    if (values.length < 24) return;
    values.sort((a, b) => a - b);
    const top = Math.ceil((values[Math.floor(values.length * 0.6)] + 12) / 6) * 6;
    this.#magnitude.yRange = [top - SPAN_DB, top];
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
    // Another ground makes another surface; the host stays.
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
