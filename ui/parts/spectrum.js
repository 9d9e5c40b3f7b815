// @ts-check
// The chart of what the microphones hear now.

import { CURVE } from '../core/frames.js';
import { currentInk } from '../core/theme.js';
import { DASHES } from '../draw/dashes.js';
import { Chart, WRAPPED, colourOf } from './chart.js';
import { paintLight } from './light.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/types.js').Values} Values */

/**
 * @typedef {object} SpectrumOptions
 * @property {() => void} redraw
 * @property {boolean} [compact] magnitude alone, nothing to set
 * @property {(step: -1|1) => void} [flick]
 * @property {(plot: 'magnitude'|'phase', kind: 'png'|'svg'|'csv') => void} save
 * @property {() => void} table
 * @property {import('./tracecurves.js').TraceCurves} [traces] what lies beside the live ones
 */

export class Spectrum extends Chart {
  #session;
  #view;
  #traces;
  /** @type {Map<number, {low: Values, high: Values}>} */
  #phaseEdges = new Map();
  /** All that is drawn, while it is. @type {import('./chart.js').Drawn[]|null} */
  #drawing = null;

  /** @param {Session} session @param {View} view @param {SpectrumOptions} options */
  constructor(session, view, options) {
    const { traces } = options;
    super(view, {
      ...options, curves: () => this.all(), under: (s, plot) => this.#lit(s, plot),
      ...(traces && { lower: () => traces.lower, level: () => traces.level }),
    });
    this.#session = session;
    this.#view = view;
    this.#traces = traces;
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
    return colourOf(this.#index(channel), currentInk());
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

  /** The live trace in front as a response; its arrays are those of the frame. */
  get front() {
    return this.#responseOf(this.#view.front(this.#known()));
  }

  /** @param {number} channel @returns {import('../core/overlay.js').Response} */
  #responseOf(channel) {
    const { frame } = this.#session;
    const of = (/** @type {number} */ id) => frame.curve(channel, id);
    return {
      db: of(CURVE.magnitude), low: of(CURVE.magnitudeLow), high: of(CURVE.magnitudeHigh), deg: of(CURVE.phase), error: of(CURVE.phaseError),
      coherence: of(CURVE.coherence), threshold: of(CURVE.threshold), delayMs: of(CURVE.delay)[0] ?? 0,
    };
  }

  /** How the lower plot is measured out. */
  get lower() {
    return this.#traces?.lower ?? WRAPPED;
  }

  /** Hz, of what lies beside. @returns {readonly number[]} */
  get besideGrid() {
    return this.#traces?.grid ?? this.#session.grid;
  }

  /** What lies beside the live traces, for the reading. */
  get beside() {
    return this.#session.frame.seq ? (this.#traces?.read(this.front) ?? []) : [];
  }

  draw() {
    const traces = this.#traces;
    this.#drawing = this.all();
    if (traces?.measure(this.#drawing, this.#session.frame.curve(this.#view.front(this.#known()), CURVE.delay)[0] ?? null, this.plots.magnitude.xRange)) this.levelAnew();
    super.draw();
    this.#drawing = null;
  }

  /** All that is drawn, the live trace in front last. @returns {import('./chart.js').Drawn[]} */
  all() {
    if (this.#drawing) return this.#drawing;
    const live = this.#curves();
    const traces = this.#traces;
    if (!traces || !live.length || !this.#session.frame.seq) return live;
    const shown = this.#view.shown(this.#known());
    const lower = traces.form === 'wrapped' ? live : live.map((d, k) => ({ ...d, phase: (/** @type {ArrayLike<number>} */ xs) => traces.shape(this.#responseOf(shown[k]), xs, shown[k]) }));
    return traces.all(lower, this.front, shown[shown.length - 1]);
  }

  /** @returns {import('./chart.js').Drawn[]} */
  #curves() {
    const known = this.#known();
    const { grid } = this.#session;
    if (!grid.length) return [];
    const front = this.#view.front(known);
    return this.#view.shown(known).map((channel) => ({
      name: this.#session.channelName(channel), ink: this.#index(channel), dash: this.dash(channel), front: channel === front, grid,
      magnitude: (xs) => this.curve(channel, xs), phase: (xs) => this.phaseCurve(channel, xs),
    }));
  }

  /** @param {import('../draw/plot.js').Surface} s @param {'magnitude'|'phase'} plot */
  #lit(s, plot) {
    const about = this.#view.light?.about;
    if (!about) return;
    const front = this.#view.front(this.#known());
    paintLight(s, about, plot, this.curve(front, s.positions(this.#session.grid)), this.#session.frame, front, this.#session.grid);
  }
}
