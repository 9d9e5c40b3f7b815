// @ts-check
// A alone, B alone, both and what a setting predicts, at one seat; under it the phase between A and B, on a
// ground that says what two equal signals do at that angle.

import * as address from '../core/address.js';
import { el } from '../core/dom.js';
import { magnitude, phaseBetween, predict, smoothDB, smoothPhase } from '../core/phasor.js';
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
const SMOOTHING = [48, 24, 12, 6, 3];
const AGREED = 0.6; // directions that agree less have no mean worth a line

/** @param {Complex[]} of @returns {Values} 1 where all are trusted */
const trustOf = (...of) => of[0].trusted.map((_, i) => (of.every((c) => c.trusted[i]) ? 1 : 0));

export class SumPlots {
  #model;
  #view;
  #session;
  #chart;
  #key = '';
  #redraw;
  /** @type {unknown} */
  #proofOf = null;
  #proofFraction = 0;
  /** @type {Values} */
  #proofDB = [];
  /** @type {Values} */
  #plannedDB = [];
  /** @type {{half: Values, a: Values, b: Values, both: Values, today: Values, trustA: Values, trustB: Values, trust: Values, agreed: Values}} */
  #kept = { half: [], a: [], b: [], both: [], today: [], trustA: [], trustB: [], trust: [], agreed: [] };
  /** @type {{db: Values, smooth: Values, deg: Values, mean: Values, trust: Values}} under the setting; filled anew each time */
  #then = { db: [], smooth: [], deg: [], mean: [], trust: [] };
  #fraction = address.number('oct', 6);
  #smooth = el('select', { 'data-testid': 'sum-smoothing', onchange: () => this.#setSmoothing(Number(this.#smooth.value)) }, ...SMOOTHING.map((n) => el('option', { value: String(n), text: `1/${n} oct` })));

  /**
   * @param {import('./alignmodel.js').AlignModel} model @param {import('../core/view.js').View} view
   * @param {import('../core/session.js').Session} session
   * @param {{redraw: () => void, save: (plot: 'magnitude'|'phase', kind: 'png'|'svg'|'csv') => void, table: () => void}} options
   */
  constructor(model, view, session, options) {
    this.#model = model;
    this.#view = view;
    this.#session = session;
    this.#redraw = options.redraw;
    this.#chart = new Chart(view, { ...options, span: 36, phaseTitle: 'Phase between the two', curves: () => this.curves(), under: (s, plot) => this.#under(s, plot) });
    this.#smooth.value = String(this.#fraction);
    this.#chart.phasePanel.tools.append(el('label', { class: 'choice' }, el('span', { text: 'smooth' }), this.#smooth));
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
    const key = seat ? `${this.#fraction} ${seat.seat} ${seat.take_a} ${seat.take_b} ${seat.take_both}` : '';
    const hz = seat?.frequency_hz ?? [];
    const level = (/** @type {Complex} */ c) => smoothDB(hz, magnitude(c, []), this.#fraction, []);
    if (key !== this.#key) {
      this.#key = key;
      this.#chart.lookAgain();
      if (seat) {
        this.#kept = {
          half: hz.map(() => 0.5), a: level(seat.a), b: level(seat.b), both: seat.both ? level(seat.both) : [],
          today: [], trustA: trustOf(seat.a), trustB: trustOf(seat.b), trust: trustOf(seat.a, seat.b), agreed: [],
        };
        smoothPhase(hz, phaseBetween(hz, seat.a, seat.b, TODAY, []), this.#fraction, this.#kept.today, this.#kept.agreed);
        this.#limit(this.#kept.agreed);
      }
    }
    if (seat) {
      const { then, setting } = { then: this.#then, setting: this.#model.setting };
      smoothDB(hz, predict(hz, seat.a, seat.b, setting, then.db), this.#fraction, then.smooth);
      smoothPhase(hz, phaseBetween(hz, seat.a, seat.b, setting, then.deg), this.#fraction, then.mean, then.trust);
      this.#limit(then.trust);
    }
    this.#chart.draw();
  }

  /** The proof of the plan at this seat, as long as its curves are at hand. */
  get #proof() {
    const proof = this.#session.survey?.verification;
    return proof && proof.seat === this.#model.seat?.id && proof.plan === this.#model.stored?.id && proof.frequency_hz.length ? proof : null;
  }

  /** @param {import('../core/types.js').Verification} proof */
  #proven(proof) {
    if (this.#proofOf !== proof || this.#proofFraction !== this.#fraction) {
      this.#proofOf = proof;
      this.#proofFraction = this.#fraction;
      smoothDB(proof.frequency_hz, proof.measured_magnitude_db, this.#fraction, this.#proofDB);
      smoothDB(proof.frequency_hz, proof.predicted_magnitude_db, this.#fraction, this.#plannedDB);
    }
    return { proof: this.#proofDB, planned: this.#plannedDB };
  }

  /** What is not trusted in itself is not trusted smoothed, and what points everywhere has no direction. @param {Values} agreement */
  #limit(agreement) {
    for (let i = 0; i < agreement.length; i++) agreement[i] = (agreement[i] ?? 0) >= AGREED && this.#kept.trust[i] === 1 ? 1 : 0;
  }

  /** @param {number} fraction */
  #setSmoothing(fraction) {
    this.#fraction = fraction;
    address.set('oct', fraction);
    this.#redraw();
  }

  /** @returns {Drawn[]} */
  curves() {
    const seat = this.#model.account;
    if (!seat || !this.#kept.a.length) return [];
    const { half, a, b, both, today, trustA, trustB, trust, agreed } = this.#kept;
    const grid = seat.frequency_hz;
    const { main, fill } = this.#model;
    const curve = (/** @type {Values} */ mid, /** @type {Values} */ coherence) => (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid, coherence, threshold: half });
    const turning = (/** @type {Values} */ mid, /** @type {Values} */ coherence) => (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid, coherence, threshold: half, wrap: 360 });
    /** @type {Drawn[]} */
    const out = [
      { name: main, ink: 0, dash: [], front: false, grid, magnitude: curve(a, trustA) },
      { name: fill, ink: 1, dash: [2, 2], front: false, grid, magnitude: curve(b, trustB) },
      { name: '', ink: -2, dash: [], front: false, grid, phase: turning(today, agreed) },
    ];
    const proof = this.#proof;
    if (proof) {
      const all = proof.frequency_hz.map(() => 1);
      const proven = this.#proven(proof);
      out.push({ name: 'proof', ink: -1, dash: [], front: true, grid: proof.frequency_hz, magnitude: (xs) => ({ xs, mid: proven.proof, coherence: all, threshold: all }) });
    } else if (both.length) {
      out.push({ name: 'both today', ink: -1, dash: [], front: true, grid, magnitude: curve(both, trust) });
    }
    if (proof && this.#model.isStored) {
      // As the plan was kept: from the takes as they are, not from what is drawn of them.
      const planned = this.#proven(proof).planned;
      const all = planned.map(() => 1);
      out.push({ name: 'predicted', ink: -1, dash: DASH, front: false, grid: proof.frequency_hz, magnitude: (xs) => ({ xs, mid: planned, coherence: all, threshold: all }), phase: turning(this.#then.mean, this.#then.trust) });
      return out;
    }
    out.push({ name: 'predicted', ink: -1, dash: DASH, front: !both.length && !proof, grid, magnitude: curve(this.#then.smooth, trust), phase: turning(this.#then.mean, this.#then.trust) });
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
    return `${head}\n${seat.frequency_hz.map((f, i) => [f, a[i], b[i], both[i], this.#then.smooth[i], today[i], this.#then.mean[i]].map(cell).join(',')).join('\n')}\n`;
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
