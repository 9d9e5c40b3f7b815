// @ts-check
// A alone, B alone, both and what a setting predicts, at one seat; under it the phase between A and B, on a
// ground that says what two equal signals do at that angle.

import { fixed } from '../core/format.js';
import { magnitude, phaseBetween, predict } from '../core/phasor.js';
import { currentInk } from '../core/theme.js';
import { TODAY } from './alignmodel.js';
import { Chart } from './chart.js';

/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {import('./chart.js').Drawn} Drawn */
/** @typedef {import('../core/types.js').Complex} Complex */

const ADDING = 90; // degrees: two equal signals gain more than 3 dB
const LITTLE = 120; // from here on the pair is quieter than one of them
const DASH = [9, 4];
const MOST_NOTCHES = 40;

/** @param {Complex[]} of @returns {Values} 1 where all are trusted */
const trustOf = (...of) => of[0].trusted.map((_, i) => (of.every((c) => c.trusted[i]) ? 1 : 0));

export class SumPlots {
  #model;
  #view;
  #session;
  #chart;
  #key = '';
  /** @type {{half: Values, a: Values, b: Values, both: Values, today: Values, trustA: Values, trustB: Values, trust: Values}} */
  #kept = { half: [], a: [], b: [], both: [], today: [], trustA: [], trustB: [], trust: [] };
  /** @type {Values} */
  #then = [];
  /** @type {Values} */
  #phase = [];

  /**
   * @param {import('./alignmodel.js').AlignModel} model @param {import('../core/view.js').View} view
   * @param {import('../core/session.js').Session} session
   * @param {{redraw: () => void, save: (plot: 'magnitude'|'phase', kind: 'png'|'svg'|'csv') => void, table: () => void}} options
   */
  constructor(model, view, session, options) {
    this.#model = model;
    this.#view = view;
    this.#session = session;
    this.#chart = new Chart(view, { ...options, span: 36, phaseTitle: 'Phase between the two', curves: () => this.curves(), under: (s, plot) => this.#under(s, plot) });
  }

  get node() {
    return this.#chart.node;
  }

  get chart() {
    return this.#chart;
  }

  get plots() {
    return this.#chart.plots;
  }

  close() {
    this.#chart.close();
  }

  draw() {
    const seat = this.#model.account;
    const key = seat ? `${seat.seat} ${seat.take_a} ${seat.take_b} ${seat.take_both}` : '';
    if (key !== this.#key) {
      this.#key = key;
      this.#chart.lookAgain();
      if (seat) {
        this.#kept = {
          half: seat.frequency_hz.map(() => 0.5), a: magnitude(seat.a, []), b: magnitude(seat.b, []), both: seat.both ? magnitude(seat.both, []) : [],
          today: phaseBetween(seat.frequency_hz, seat.a, seat.b, TODAY, []), trustA: trustOf(seat.a), trustB: trustOf(seat.b), trust: trustOf(seat.a, seat.b),
        };
      }
    }
    if (seat) {
      predict(seat.frequency_hz, seat.a, seat.b, this.#model.setting, this.#then);
      phaseBetween(seat.frequency_hz, seat.a, seat.b, this.#model.setting, this.#phase);
    }
    this.#chart.draw();
  }

  /** The proof of the plan at this seat, as long as its curves are at hand. */
  get #proof() {
    const proof = this.#session.survey?.verification;
    return proof && proof.seat === this.#model.seat?.id && proof.plan === this.#model.stored?.id && proof.frequency_hz.length ? proof : null;
  }

  /** @returns {Drawn[]} */
  curves() {
    const seat = this.#model.account;
    if (!seat || !this.#kept.a.length) return [];
    const { half, a, b, both, today, trustA, trustB, trust } = this.#kept;
    const grid = seat.frequency_hz;
    const { main, fill } = this.#model;
    const curve = (/** @type {Values} */ mid, /** @type {Values} */ coherence) => (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid, coherence, threshold: half });
    const turning = (/** @type {Values} */ mid) => (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid, coherence: trust, threshold: half, wrap: 360 });
    /** @type {Drawn[]} */
    const out = [
      { name: main, ink: 0, dash: [], front: false, grid, magnitude: curve(a, trustA) },
      { name: fill, ink: 1, dash: [2, 2], front: false, grid, magnitude: curve(b, trustB) },
      { name: '', ink: -2, dash: [], front: false, grid, phase: turning(today) },
    ];
    const proof = this.#proof;
    if (proof) {
      const all = proof.frequency_hz.map(() => 1);
      out.push({ name: 'proof', ink: -1, dash: [], front: true, grid: proof.frequency_hz, magnitude: (xs) => ({ xs, mid: proof.measured_magnitude_db, coherence: all, threshold: all }) });
    } else if (both.length) {
      out.push({ name: 'both today', ink: -1, dash: [], front: true, grid, magnitude: curve(both, trust) });
    }
    out.push({ name: 'predicted', ink: -1, dash: DASH, front: !both.length && !proof, grid, magnitude: curve(this.#then, trust), phase: turning(this.#phase) });
    return out;
  }

  /** @param {Surface} s @param {'magnitude'|'phase'} plot */
  #under(s, plot) {
    const { answer } = this.#model;
    const ink = currentInk();
    if (plot === 'phase') ground(s);
    if (answer?.band_hz.length) {
      // Outside the band nothing counts: hatched over in the ground's own colour.
      const [low, high] = answer.band_hz.map((hz) => s.x(hz));
      s.ctx.fillStyle = ink.faint;
      s.ctx.globalAlpha = 0.75;
      s.ctx.fillRect(s.box.left, s.box.top, Math.max(0, low - s.box.left), s.box.height);
      s.ctx.fillRect(high, s.box.top, Math.max(0, s.box.left + s.box.width - high), s.box.height);
      s.ctx.globalAlpha = 1;
    }
    const comb = this.#model.account?.comb;
    if (plot === 'magnitude' && this.#view.light?.about === 'comb' && comb) {
      s.ctx.strokeStyle = ink.ink;
      s.ctx.globalAlpha = 0.5;
      s.ctx.lineWidth = s.ratio;
      s.ctx.beginPath();
      for (const hz of comb.notches_hz.slice(0, MOST_NOTCHES)) {
        s.ctx.moveTo(s.x(hz), s.box.top);
        s.ctx.lineTo(s.x(hz), s.box.top + s.box.height);
      }
      s.ctx.stroke();
      s.ctx.globalAlpha = 1;
    }
  }

  /** Numbers behind the plots, for export. */
  rows() {
    const seat = this.#model.account;
    if (!seat) return '';
    const cell = (/** @type {number|null|undefined} */ v) => (v === null || v === undefined || !Number.isFinite(v) ? '' : String(Number(v.toPrecision(7))));
    const { a, b, both, today } = this.#kept;
    const head = 'frequency_hz,a_db,b_db,both_db,predicted_db,phase_deg,predicted_phase_deg';
    return `${head}\n${seat.frequency_hz.map((f, i) => [f, a[i], b[i], both[i], this.#then[i], today[i], this.#phase[i]].map(cell).join(',')).join('\n')}\n`;
  }

  /** @param {number} hz */
  reading(hz) {
    return `${fixed(hz, 0)}`;
  }
}

/** Adding, little gain, losing: lightness and a word, not colour alone. @param {Surface} s */
function ground(s) {
  const ink = currentInk();
  s.ctx.fillStyle = ink.ink;
  for (const [from, to, alpha] of [[ADDING, LITTLE, 0.07], [LITTLE, 180, 0.16]]) {
    s.ctx.globalAlpha = alpha;
    for (const sign of [1, -1]) {
      const [y0, y1] = [s.y(sign * from), s.y(sign * to)];
      s.ctx.fillRect(s.box.left, Math.min(y0, y1), s.box.width, Math.abs(y1 - y0));
    }
  }
  s.ctx.globalAlpha = 1;
  s.ctx.fillStyle = ink.quiet;
  s.ctx.font = `${12 * s.ratio}px system-ui, sans-serif`;
  s.ctx.textAlign = 'left';
  s.ctx.textBaseline = 'middle';
  const x = s.box.left + 6 * s.ratio;
  if (s.box.height / s.ratio < 80) return;
  s.ctx.fillText('adding', x, s.y(0));
  s.ctx.fillText('losing', x, s.y(150));
  s.ctx.fillText('losing', x, s.y(-150));
}
