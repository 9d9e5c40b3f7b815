// @ts-check
// The impulse response around the arrivals, each with a numbered flag: up for the same polarity, down for opposite, flat on the line where it cannot be told.

import * as address from '../core/address.js';
import { el, say } from '../core/dom.js';
import { fixed, length, plusMinus, signed } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { envelope, stepOf } from '../core/impulseforms.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { every } from '../draw/axes.js';
import { gestures, within } from '../draw/gestures.js';
import { Plot } from '../draw/plot.js';
import { line } from '../draw/trace.js';
import { arrivals, isNamed } from './arrivals.js';
import { explain } from './glossary.js';
import { Panel } from './panel.js';
import { dashOf, inkOf } from '../draw/dashes.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/axes.js').Range} Range */
/** @typedef {import('./arrivals.js').Arrival} Arrival */

/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {'linear'|'log'|'step'} Form */
/** @typedef {{range: Range, splits: number[], unit: string, tick: (v: number) => string}} Scale */

const MOST = 5;
const TARGET = 44; // px that a finger needs
const FLOOR_DB = -66;
/** @type {Record<Form, Scale>} */
const SCALES = {
  linear: { range: [-1.6, 1.6], splits: [-1, 0, 1], unit: 'linear, largest = 1', tick: (v) => fixed(v, 0) },
  log: { range: [FLOOR_DB, 12], splits: [-60, -48, -36, -24, -12, 0], unit: 'dB of the largest, with its envelope', tick: (v) => signed(v, 0) },
  step: { range: [-1.6, 1.6], splits: [-1, 0, 1], unit: 'step response, largest = 1', tick: (v) => fixed(v, 0) },
};
const FORMS = /** @type {const} */ ([['linear', 'linear'], ['log', 'logarithmic'], ['step', 'step']]);

export class Impulse {
  #session;
  #view;
  #plot;
  #reading = el('p', { class: 'at-flag', 'data-testid': 'arrival' });
  #flags = /** @type {HTMLButtonElement[]} */ ([]);
  #chosen = 0;
  /** @type {Range|null} */
  #chosenX = address.range('ms');
  /** @type {Range} */
  #home = [0, 20];
  /** @type {number[]} */
  #axis = [];
  #axisKey = '';
  #letGo;
  #redraw;
  #traces;
  #form = /** @type {Form} */ (FORMS.find(([v]) => v === address.text('impulse', ''))?.[0] ?? 'linear');
  #choice = el('select', { 'aria-label': 'The impulse response as', 'data-testid': 'impulse-form', onchange: () => this.#setForm(/** @type {Form} */ (this.#choice.value)) }, ...FORMS.map(([value, text]) => el('option', { value, text })));
  /** @type {number|null} ms under the pointer */
  #pointed = null;
  panel;
  node;

  /**
   * @param {Session} session @param {View} view
   * @param {{redraw: () => void, flick?: (step: -1|1) => void, save: (kind: 'png'|'svg'|'csv') => void, table: () => void, traces?: import('./tracestore.js').TraceStore}} options traces: what lies behind it
   */
  constructor(session, view, options) {
    this.#session = session;
    this.#view = view;
    this.#redraw = options.redraw;
    this.#traces = options.traces;
    this.#choice.value = this.#form;
    this.panel = new Panel({ id: 'impulse', title: 'Impulse response', unit: 'linear, largest = 1', home: () => this.#goHome(options.redraw), save: options.save, table: options.table });
    this.panel.tools.append(options.traces ? this.#choice : '', explain(el('span', { class: 'which' }), 'Arrival', 'arrival'), this.#reading);
    this.node = this.panel.node;
    const metres = (/** @type {number} */ ms) => (ms / 1000) * session.speedOfSound;
    this.#plot = new Plot(this.panel.host, {
      x: { range: this.#home, splits: every([0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500], 76), tick: (v) => `${fixed(v, v % 1 ? 1 : 0)} ms\n${fixed(metres(v), 1)} m`, size: 38 },
      y: { range: SCALES.linear.range, splits: (lo, hi, pixels) => this.scale.splits.filter((v, k) => v !== -48 && v !== -24 || pixels > 110 || !k), tick: (v) => this.scale.tick(v), size: 46 },
      under: (s) => this.#paint(s), resized: options.redraw,
    });
    for (let k = 0; k < MOST; k++) {
      const show = () => {
        this.#chosen = k;
        view.setLight({ about: `arrival:${this.arrivals()[k]?.place ?? 0}` });
      };
      const flag = el('button', { class: 'flag', type: 'button', hidden: true, onclick: show, onpointerenter: show, onfocus: show, onpointerleave: () => view.setLight(null), onblur: () => view.setLight(null) }, el('span', { text: String(k + 1) }));
      this.#flags.push(flag);
      this.panel.host.append(flag);
    }
    this.#letGo = gestures({
      surface: this.panel.host,
      area: () => this.#plot.area,
      view: () => ({ x: [...this.#plot.xRange], y: [...this.#plot.yRange] }),
      setView: (x) => {
        const axis = this.#axis;
        /** @type {Range} */
        const limits = axis.length ? [axis[0], axis[axis.length - 1]] : [-10, 1600];
        this.#chosenX = within(x, limits, 0.2, false);
        address.set('ms', this.#chosenX);
        options.redraw();
      },
      log: false,
      freeY: false,
      home: () => !this.#chosenX,
      goHome: () => this.#goHome(options.redraw),
      point: (px) => {
        this.#pointed = this.#plot.fromX(px);
        this.#read(this.arrivals());
      },
      flick: options.flick,
    });
    this.panel.host.addEventListener('pointerleave', () => {
      this.#pointed = null;
    });
  }

  close() {
    this.#letGo();
    this.#plot.close();
  }

  get plot() {
    return this.#plot;
  }

  draw() {
    const channel = this.#front();
    const { frame } = this.#session;
    const [start, step] = frame.curve(channel, CURVE.impulseAxis);
    const found = this.arrivals();
    if (typeof start === 'number' && typeof step === 'number') this.#grow(start, step, frame.curve(channel, CURVE.impulse).length);
    this.#settle(found);
    this.#plot.xRange = this.#chosenX ?? this.#home;
    this.#plot.yRange = this.scale.range;
    this.panel.rename('Impulse response', this.scale.unit);
    this.#plot.draw();
    this.#raise(found);
    this.#read(found);
    this.panel.atHome(!this.#chosenX);
  }

  /** How it is measured out. */
  get scale() {
    return SCALES[this.#form];
  }

  nextForm() {
    this.#setForm(FORMS[(FORMS.findIndex(([v]) => v === this.#form) + 1) % FORMS.length][0]);
  }

  /** @param {Form} form */
  #setForm(form) {
    this.#form = this.#choice.value = form;
    address.set('impulse', form === 'linear' ? null : form);
    this.#redraw();
  }

  /** What is drawn of a response: one curve, or the response and its envelope. @param {Values} values @param {number} [largest] of what it is drawn beside @returns {Values[]} */
  shapes(values, largest) {
    if (this.#form === 'step') {
      const step = [...stepOf(values)];
      const most = largest ?? peak(step);
      return [step.map((v) => v / most)];
    }
    const most = largest ?? peak(values);
    if (this.#form === 'linear') return [values.map((v) => (v === null ? null : v / most))];
    const db = (/** @type {number|null} */ v) => (v === null ? null : Math.max(FLOOR_DB - 20, 20 * Math.log10(Math.abs(v) / most)));
    return [values.map(db), [...envelope(values)].map(db)];
  }

  /** What counts as 1. @param {Values} values */
  #largest(values) {
    return this.#form === 'step' ? peak([...stepOf(values)]) : peak(values);
  }

  /** @returns {Arrival[]} */
  arrivals() {
    return arrivals(this.#session.frame, this.#front()).slice(0, MOST);
  }

  /** Time axis of the newest response, ms. */
  get axis() {
    return this.#axis;
  }

  /** @param {() => void} redraw */
  #goHome(redraw) {
    this.#chosenX = null;
    address.set('ms', null);
    redraw();
  }

  #front() {
    return this.#view.front(this.#session.state?.settings.microphones ?? []);
  }

  /** @param {number} start @param {number} step @param {number} n */
  #grow(start, step, n) {
    const key = `${start},${step},${n}`;
    if (key === this.#axisKey) return;
    this.#axisKey = key;
    this.#axis = Array.from({ length: n }, (_, k) => start + k * step);
  }

  /** The whole range: all arrivals with some room, moved only when they leave it. @param {Arrival[]} arrivals */
  #settle(arrivals) {
    if (!this.#axis.length) return;
    const first = this.#axis[0];
    const last = this.#axis[this.#axis.length - 1];
    const times = arrivals.map((a) => a.delay).filter((t) => t >= first && t <= last);
    if (!times.length) times.push(first + (last - first) / 4);
    const low = Math.min(...times);
    const high = Math.max(...times);
    const [lo, hi] = this.#home;
    const fits = low >= lo + 1 && high <= hi - 3 && hi - lo < (high - low) * 2 + 40;
    if (fits) return;
    const width = Math.max(20, (high - low) * 1.5 + 10);
    this.#home = within([Math.floor(low) - 4, Math.floor(low) - 4 + Math.ceil(width)], [first, last], 5, false);
  }

  /** @param {import('../draw/plot.js').Surface} s */
  #paint(s) {
    const channel = this.#front();
    const ink = currentInk();
    const values = this.#session.frame.curve(channel, CURVE.impulse);
    if (this.#axis.length !== values.length || !values.some(Boolean)) return; // silence has no shape
    const log = this.#form === 'log';
    const zero = log ? s.box.top + s.box.height : s.y(0);
    s.ctx.strokeStyle = ink.rule;
    s.ctx.lineWidth = s.ratio;
    s.ctx.beginPath();
    s.ctx.moveTo(s.box.left, zero);
    s.ctx.lineTo(s.box.left + s.box.width, zero);
    s.ctx.stroke();
    this.arrivals().forEach((a, k) => {
      const lit = this.#lit(a, k);
      s.ctx.strokeStyle = ink.ink;
      s.ctx.lineWidth = (lit ? 3 : 1) * s.ratio;
      s.ctx.beginPath();
      s.ctx.moveTo(s.x(a.delay), zero);
      s.ctx.lineTo(s.x(a.delay), log ? s.box.top : a.sign < 0 ? s.box.top + s.box.height : a.sign > 0 ? s.box.top : zero);
      s.ctx.stroke();
    });
    const largest = this.#largest(values);
    for (const t of this.#traces?.shown ?? []) {
      const curve = this.#traces?.curve(t.id);
      const [start, step] = [curve?.impulse_start_ms, curve?.impulse_step_ms];
      if (!curve?.impulse.length || start == null || step == null) continue;
      const xs = Float32Array.from(curve.impulse, (_, i) => s.x(start + i * step));
      line(s.ctx, { xs, mid: /** @type {Values} */ (this.shapes(curve.impulse, largest).at(-1)) }, s.y, { colour: ink.curves[inkOf(t.number)], width: ink.line * s.ratio, dash: dashOf(t.number).map((d) => d * s.ratio), fill: 0, outline: 0 });
    }
    const colour = ink.curves[Math.max(0, (this.#session.state?.settings.microphones ?? []).indexOf(channel)) % 4];
    const xs = s.positions(this.#axis);
    const [response, over] = this.shapes(values, largest);
    // Under its envelope the response is a texture.
    s.ctx.globalAlpha = over ? 0.45 : 1;
    line(s.ctx, { xs, mid: response }, s.y, { colour, width: (over ? 1 : 1.4 * ink.line) * s.ratio, fill: 0, outline: 0 });
    s.ctx.globalAlpha = 1;
    if (over) line(s.ctx, { xs, mid: over }, s.y, { colour, width: 2 * ink.line * s.ratio, fill: 0, outline: 0 });
  }

  /** @param {Arrival} a @param {number} k */
  #lit(a, k) {
    const about = this.#view.light?.about;
    return isNamed(this.#session.frame, this.#front(), a, about) || (k === 0 && (about === 'delay' || about === 'distance'));
  }

  /** @param {Arrival[]} arrivals */
  #raise(arrivals) {
    const { left, width } = this.#plot.area;
    /** @type {[number, number][]} */
    const placed = [];
    // Flags without a sign have no end of the pole that is theirs: they take what is left.
    const last = (/** @type {number} */ k) => Number(!arrivals[k]?.sign);
    for (const k of [...this.#flags.keys()].sort((i, j) => last(i) - last(j) || i - j)) {
      const [flag, a] = [this.#flags[k], arrivals[k]];
      const x = a ? this.#plot.toX(a.delay) : -1;
      const hide = !a || !(x >= 0 && x <= width);
      if (flag.hidden !== hide) flag.hidden = hide;
      if (hide) continue;
      flag.dataset.sign = a.sign < 0 ? 'opposite' : a.sign > 0 ? 'same' : 'undecided';
      flag.classList.toggle('lit', this.#lit(a, k));
      const y = this.#height(x, this.#form === 'log' ? 1 : a.sign, placed);
      placed.push([x, y]);
      flag.style.transform = `translate(${left + x}px, ${y}px)`;
      flag.setAttribute('aria-label', this.#tell(a, k));
    }
  }

  /** How high a flag flies: at its end of the pole, or nearer to the line where it would leave another one no room to be touched. @param {number} x @param {number} sign @param {[number, number][]} placed */
  #height(x, sign, placed) {
    const { top, height } = this.#plot.area;
    const [wide, high] = [24 * unit(), 18 * unit()];
    const room = TARGET / 2 - high / 2;
    const [first, last] = [top + Math.min(room, height / 2 - high) / 2, top + height - high];
    const step = high + room;
    const free = (/** @type {number} */ y) => y >= first && y <= last && placed.every(([px, py]) => Math.abs(px - x) >= (wide + TARGET) / 2 || Math.abs(py - y) >= step - 0.01);
    const from = sign > 0 ? first : sign < 0 ? last : top + height / 2 - high / 2;
    for (let n = 0; n < 8 * MOST; n++) {
      const y = from + (step / 4) * (sign ? (sign > 0 ? n : -n) : (n % 2 ? 1 : -1) * Math.ceil(n / 2));
      if (free(y)) return y;
    }
    return from;
  }

  /** @param {Arrival[]} arrivals */
  #read(arrivals) {
    if (this.#pointed !== null && !this.#view.light) {
      const m = (this.#pointed / 1000) * this.#session.speedOfSound;
      say(this.#reading, `At the pointer: ${fixed(this.#pointed, 2)} ms, ${length(Math.max(0, m))}`);
      return;
    }
    const lit = arrivals.findIndex((a) => isNamed(this.#session.frame, this.#front(), a, this.#view.light?.about));
    const k = Math.min(lit >= 0 ? lit : this.#chosen, arrivals.length - 1);
    say(this.#reading, k >= 0 ? this.#tell(arrivals[k], k) : 'No arrival found.');
  }

  /** @param {Arrival} a @param {number} k */
  #tell(a, k) {
    const m = (a.delay / 1000) * this.#session.speedOfSound;
    const sign = a.sign < 0 ? 'opposite' : a.sign > 0 ? 'same polarity' : 'polarity undecided';
    return `${k + 1}: ${fixed(a.delay, 2)} ms ${plusMinus(a.sd === null ? null : 2 * a.sd, 3)}, ${fixed(m, 2)} m, ${fixed(a.level, 1)} dB, ${sign}`;
  }
}

/** Largest magnitude, 1 for none. @param {import('../core/types.js').Values} values */
export function peak(values) {
  let most = 0;
  for (const v of values) if (v !== null) most = Math.max(most, Math.abs(v));
  return most || 1;
}
