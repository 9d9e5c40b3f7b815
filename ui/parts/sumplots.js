// @ts-check
// A alone, B alone, both and what a setting predicts, at one seat; under it the phase between A and B, on a
// ground that says what two equal signals do at that angle.

import * as address from '../core/address.js';
import { el } from '../core/dom.js';
import { magnitude, phaseBetween, predict, predictError, ratioError, ribbon, smoothLevel, smoothPhase } from '../core/phasor.js';
import { currentInk } from '../core/theme.js';
import { TODAY } from './alignmodel.js';
import { Chart } from './chart.js';

/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {import('./chart.js').Drawn} Drawn */
/** @typedef {import('../core/types.js').Complex} Complex */
/** @typedef {import('../core/phasor.js').Ribbon} Ribbon */

const ADDING = 90; // degrees: two equal signals gain more than 3 dB
const LITTLE = 120; // from here on the pair is quieter than one of them
const DASH = [9, 4];
const MOST_NOTCHES = 40;
const SMOOTHING = [48, 24, 12, 6, 3];
const AGREED = 0.8; // directions that agree less have no mean worth a line

/** @param {Complex[]} of @returns {Values} 1 where all are trusted */
const trustOf = (...of) => of[0].trusted.map((_, i) => (of.every((c) => c.trusted[i]) ? 1 : 0));

/** 1 where an interval does not reach down to nothing. @param {Values} error @returns {Values} */
const known = (error) => error.map((e) => (e !== null && e < 1 ? 1 : 0));

/**
 * @param {Ribbon} ribbon @param {Values} trust 0 or 1 @param {number} [wrap]
 * @returns {(xs: ArrayLike<number>) => import('../draw/trace.js').Curve}
 */
const curve = ({ mid, low, high }, trust, wrap) => {
  const threshold = trust.map(() => 0.5);
  return (xs) => ({ xs, mid, low, high, coherence: trust, threshold, wrap });
};

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
  #proven = ribbon();
  #planned = ribbon();
  /** @type {{a: Ribbon, b: Ribbon, both: Ribbon|null, today: Ribbon, trustA: Values, trustB: Values, trust: Values, agreed: Values, between: Values}} */
  #kept = { a: ribbon(), b: ribbon(), both: null, today: ribbon(), trustA: [], trustB: [], trust: [], agreed: [], between: [] };
  /** @type {{db: Values, error: Values, level: Ribbon, deg: Values, phase: Ribbon, agreed: Values}} under the setting; filled anew each time */
  #then = { db: [], error: [], level: ribbon(), deg: [], phase: ribbon(), agreed: [] };
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
    this.#chart = new Chart(view, { ...options, span: 36, phaseTitle: 'Phase between the two', curves: () => this.curves(), besidePhase: meanings, under: (s, plot) => this.#under(s, plot) });
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
    const level = (/** @type {Complex} */ c) => smoothLevel(hz, magnitude(c, []), c.error, seat?.correlation ?? [], this.#fraction, ribbon());
    if (key !== this.#key) {
      this.#key = key;
      this.#chart.lookAgain();
      if (seat) {
        this.#kept = {
          a: level(seat.a), b: level(seat.b), both: seat.both ? level(seat.both) : null, today: ribbon(), agreed: [], between: ratioError(seat.a, seat.b, []),
          trustA: trustOf(seat.a), trustB: trustOf(seat.b), trust: trustOf(seat.a, seat.b),
        };
        smoothPhase(hz, phaseBetween(hz, seat.a, seat.b, TODAY, []), this.#kept.between, seat.correlation, this.#fraction, this.#kept.today, this.#kept.agreed);
        this.#limit(this.#kept.today, this.#kept.agreed);
      }
    }
    if (seat) {
      const { then, setting } = { then: this.#then, setting: this.#model.setting };
      predictError(seat.a, seat.b, setting, predict(hz, seat.a, seat.b, setting, then.db), then.error);
      smoothLevel(hz, then.db, then.error, seat.correlation, this.#fraction, then.level);
      smoothPhase(hz, phaseBetween(hz, seat.a, seat.b, setting, then.deg), this.#kept.between, seat.correlation, this.#fraction, then.phase, then.agreed);
      this.#limit(then.phase, then.agreed);
    }
    this.#chart.draw();
  }

  /** The proof of the plan at this seat, as long as its curves are at hand. */
  get #proof() {
    const proof = this.#session.survey?.verification;
    return proof && proof.seat === this.#model.seat?.id && proof.plan === this.#model.stored?.id && proof.frequency_hz.length ? proof : null;
  }

  /** @param {import('../core/types.js').Verification} proof */
  #smoothProof(proof) {
    if (this.#proofOf === proof && this.#proofFraction === this.#fraction) return;
    this.#proofOf = proof;
    this.#proofFraction = this.#fraction;
    smoothLevel(proof.frequency_hz, proof.measured_magnitude_db, proof.measured_error, proof.correlation, this.#fraction, this.#proven);
    smoothLevel(proof.frequency_hz, proof.predicted_magnitude_db, proof.predicted_error, proof.correlation, this.#fraction, this.#planned);
  }

  /** What is not trusted in itself is not trusted smoothed, and what points everywhere has no direction. @param {Ribbon} phase @param {Values} agreement becomes the trust */
  #limit(phase, agreement) {
    for (let i = 0; i < agreement.length; i++) {
      if ((agreement[i] ?? 0) < AGREED) phase.mid[i] = null;
      agreement[i] = phase.mid[i] !== null && this.#kept.trust[i] === 1 ? 1 : 0;
    }
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
    if (!seat || !this.#kept.a.mid.length) return [];
    const { a, b, both, today, trustA, trustB, trust, agreed } = this.#kept;
    const grid = seat.frequency_hz;
    const { main, fill } = this.#model;
    const then = this.#then;
    /** @type {Drawn[]} */
    const out = [
      { name: main, ink: 0, dash: [], front: false, grid, magnitude: curve(a, trustA) },
      { name: fill, ink: 1, dash: [2, 2], front: false, grid, magnitude: curve(b, trustB) },
      { name: '', ink: -2, dash: [], front: false, grid, phase: curve(today, agreed, 360) },
    ];
    const proof = this.#proof;
    if (proof) {
      this.#smoothProof(proof);
      out.push({ name: 'proof', ink: -1, dash: [], front: true, grid: proof.frequency_hz, magnitude: curve(this.#proven, known(proof.measured_error)) });
    } else if (both) {
      // Where the sum cancels it has no coherence to be trusted by, though both were heard.
      out.push({ name: 'both today', ink: -1, dash: [], front: true, grid, magnitude: curve(both, trust) });
    }
    const phase = curve(then.phase, then.agreed, 360);
    // As the plan was kept: from the takes as they are, not from what is drawn of them.
    const planned = proof && this.#model.isStored ? proof : null;
    if (planned) out.push({ name: '', ink: -1, dash: DASH, front: false, grid, phase });
    out.push({
      name: 'predicted', ink: -1, dash: DASH, front: !both && !proof, grid: planned ? planned.frequency_hz : grid, phase: planned ? undefined : phase,
      magnitude: planned ? curve(this.#planned, known(planned.predicted_error)) : curve(then.level, trust),
    });
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
    const { a, b, both, predicted } = this.levels;
    const of = (/** @type {string} */ name, /** @type {string} */ unit) => [`${name}_${unit}`, `${name}_low_${unit}`, `${name}_high_${unit}`];
    const head = ['frequency_hz', ...of('a', 'db'), ...of('b', 'db'), ...of('both', 'db'), ...of('predicted', 'db'), ...of('phase', 'deg'), ...of('predicted_phase', 'deg')];
    const ribbons = [a, b, both, predicted, this.#kept.today, this.#then.phase];
    return `${head.join(',')}\n${seat.frequency_hz.map((f, i) => [f, ...ribbons.flatMap((r) => [r?.mid[i], r?.low[i], r?.high[i]])].map(cell).join(',')).join('\n')}\n`;
  }

  /** What is drawn of the levels. */
  get levels() {
    return { a: this.#kept.a, b: this.#kept.b, both: this.#kept.both, predicted: this.#then.level };
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
}

/** What the ground means, beside it: no curve goes there. @param {Surface} s */
function meanings(s) {
  if (s.box.height / s.ratio < 80) return;
  s.ctx.fillStyle = currentInk().quiet;
  s.ctx.font = `${12 * s.ratio}px system-ui, sans-serif`;
  s.ctx.textAlign = 'left';
  s.ctx.textBaseline = 'middle';
  const x = s.box.left + s.box.width + 6 * s.ratio;
  s.ctx.fillText('adding', x, s.y(0));
  s.ctx.fillText('losing', x, s.y(150));
  s.ctx.fillText('losing', x, s.y(-150));
}
