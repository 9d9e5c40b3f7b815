// @ts-check
// What lies beside the live trace: stored ones, their mean, live minus a stored one, the target; and how the lower plot
// shows them all.

import * as address from '../core/address.js';
import { fixed, signed } from '../core/format.js';
import { GRID, average, joins, minus, onGrid, shifted } from '../core/overlay.js';
import { groupDelay, unwrapped } from '../core/phaseforms.js';
import { targetOn } from '../core/target.js';
import { every } from '../draw/axes.js';
import { dashOf, inkOf } from '../draw/dashes.js';
import { trusted } from '../draw/trace.js';
import { WRAPPED } from './chart.js';

/** @typedef {import('../core/overlay.js').Response} Response */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/types.js').StoredTrace} StoredTrace */
/** @typedef {import('../core/types.js').Target} Target */
/** @typedef {import('../core/types.js').Values} Values */
/** @typedef {import('./chart.js').Drawn} Drawn */
/** @typedef {import('./chart.js').Lower} Lower */
/** @typedef {'wrapped'|'unwrapped'|'delay'|'coherence'} Form */
/** @typedef {''|'power'|'complex'} Mean */

export const FORMS = /** @type {const} */ ([['wrapped', 'wrapped'], ['unwrapped', 'unwrapped'], ['delay', 'group delay'], ['coherence', 'coherence']]);
export const MEANS = /** @type {const} */ ([['', 'none'], ['power', 'of power'], ['complex', 'complex']]);
/** @type {Lower} */
const COHERENCE = { title: 'Coherence', unit: 'γ², 0 to 1', range: [0, 1], splits: () => [0, 0.25, 0.5, 0.75, 1], tick: (v) => fixed(v, v % 0.5 ? 2 : 1) };
const DIFFERENCES_DB = [6, 12, 24, 48];
const STEPS_MS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500];
const STEPS_DEG = [90, 180, 360, 720, 1440, 3600, 7200, 14400];
const DENSE = 4096; // points; a stored trace needs no more than the common grid has
const NONE = { offsetDB: 0, delayMs: 0, opposite: false };

export class TraceCurves {
  #session;
  #store;
  #minus = address.number('minus', 0);
  #mean = /** @type {Mean} */ (MEANS.find(([v]) => v === address.text('mean', ''))?.[0] ?? '');
  #form = /** @type {Form} */ (FORMS.find(([v]) => v === address.text('lower', ''))?.[0] ?? 'wrapped');
  /** Phase of all after the delay of the live one, so that a delay between them is seen. */
  #common = address.text('after', '') === 'live';
  /** @type {WeakMap<Response, {form: string, curve: Omit<Curve, 'xs'>}>} */
  #shaped = new WeakMap();
  /** @type {{key: string, responses: Map<number, Response>}} stored ones after the live delay */
  #turned = { key: '', responses: new Map() };
  /** The live phase without its turns as it was last, by channel: whole turns do not come and go with every frame. @type {Map<number, Values>} */
  #turnless = new Map();
  /** The mean as it was made last, and what of. @type {{mean: Mean, of: Response[], response: Response}} */
  #averaged = { mean: '', of: [], response: average([], 'power') };
  /** @type {Lower} */
  #lower = WRAPPED;
  #scale = DIFFERENCES_DB[1];
  #front = 0;
  /** @type {() => void} */
  onChange = () => {};

  /** @param {import('../core/session.js').Session} session @param {import('./tracestore.js').TraceStore} store */
  constructor(session, store) {
    this.#session = session;
    this.#store = store;
  }

  get mean() {
    return this.#mean;
  }

  /** @param {Mean} mean */
  set mean(mean) {
    this.#mean = mean;
    address.set('mean', mean || null);
    this.onChange();
  }

  get form() {
    return this.#form;
  }

  /** @param {Form} form */
  set form(form) {
    this.#form = form;
    this.#turnless.clear();
    address.set('lower', form === 'wrapped' ? null : form);
    this.#lower = form === 'coherence' ? COHERENCE : WRAPPED;
    this.onChange();
  }

  get common() {
    return this.#common;
  }

  /** @param {boolean} common */
  set common(common) {
    this.#common = common;
    address.set('after', common ? 'live' : null);
    this.onChange();
  }

  /** The trace that is taken from the live one; null for none. */
  get minus() {
    return this.#store.trace(this.#minus);
  }

  /** @param {StoredTrace|null} trace */
  set minus(trace) {
    this.#minus = trace?.id ?? 0;
    address.set('minus', trace?.id ?? null);
    this.onChange();
  }

  /** Hz, of all that is stored: the live one's, unless that has more points than can be seen. @returns {readonly number[]} */
  get grid() {
    const { grid } = this.#session;
    return grid.length > DENSE ? GRID : grid;
  }

  /** @param {Response} r */
  #gridOf(r) {
    return r.db.length === this.#session.grid.length ? this.#session.grid : GRID;
  }

  /** The live one on the grid of the stored ones. @param {Response} r @returns {Response} */
  thin(r) {
    const { grid } = this;
    if (r.db.length === grid.length) return r;
    return onGrid({ frequency_hz: this.#session.grid, magnitude_db: r.db, magnitude_low_db: r.low, magnitude_high_db: r.high, phase_deg: r.deg, phase_error_deg: r.error, coherence: r.coherence, threshold: r.threshold, delay_ms: r.delayMs });
  }

  /** Traces that would join the mean but cannot. */
  get leftOut() {
    const { grid } = this;
    const mean = this.#mean;
    return mean ? this.#store.shown.filter((t) => !joins(/** @type {Response} */ (this.#store.response(t.id, grid)), mean)) : [];
  }

  /** Where the magnitude axis is at home while a difference is shown. @returns {[number, number]|null} */
  get level() {
    return this.minus ? [-this.#scale, this.#scale] : null;
  }

  get lower() {
    return this.#lower;
  }

  /** All that is drawn. @param {Drawn[]} live the one in front last @param {Response} front of the live one in front @param {number} channel of it @returns {Drawn[]} */
  all(live, front, channel) {
    this.#front = channel;
    const { grid } = this.#session;
    const main = live[live.length - 1];
    const other = this.minus;
    const stored = other && this.#response(other.id, front, true);
    if (main && other && stored) return [this.#drawn(minus(this.thin(front), stored), { name: `live − ${other.name}`, short: '', ink: main.ink, dash: main.dash, front: true }, -1)];
    const shown = this.#store.shown;
    const out = shown.map((t) => this.#drawn(/** @type {Response} */ (this.#response(t.id, front, false)), { name: `${t.number} ${t.name}`, short: String(t.number), ink: inkOf(t.number), dash: dashOf(t.number), front: false }));
    const mean = this.#made(front);
    if (mean) out.push(this.#drawn(mean.response, { name: mean.name, short: 'x̄', ink: -1, dash: [], front: false, heavy: true }));
    const target = this.#store.target;
    if (target) out.unshift(targetDrawn(target, this.grid));
    if (this.#form === 'coherence') out.unshift({ name: '', ink: -2, dash: [2, 3], front: false, grid, phase: (xs) => ({ xs, mid: front.threshold }) });
    return [...out, ...live];
  }

  /** What each of the stored ones, their mean and the difference are at the line, for the reading. @param {Response} front */
  read(front) {
    const out = this.#store.shown.map((t) => ({ name: `${t.number} ${t.name}`, ink: inkOf(t.number), response: /** @type {Response} */ (this.#response(t.id, front, false)) }));
    const mean = this.#made(front);
    if (mean) out.push({ name: mean.name, ink: -1, response: mean.response });
    const other = this.minus;
    const stored = other && this.#response(other.id, front, true);
    if (other && stored) out.unshift({ name: `live − ${other.number}`, ink: -1, response: minus(this.thin(front), stored) });
    return out;
  }

  /** What the lower plot shows of a response. @param {Response} r @param {ArrayLike<number>} xs @param {number} live its channel; 0 for a stored one, −1 for what is made of a live one @returns {Curve} */
  shape(r, xs, live) {
    if (this.#form === 'unwrapped') return { xs, ...this.#level(this.#kept(r, live), live) };
    return { xs, ...this.#kept(r, live) };
  }

  /** @param {Response} r @param {number} live */
  #kept(r, live) {
    if (live) return this.#shapeOf(r);
    const key = `${this.#form}/${this.#session.state?.settings.smoothing}/${this.#session.state?.settings.window}`;
    const kept = this.#shaped.get(r);
    if (kept?.form === key) return kept.curve;
    const curve = this.#shapeOf(r);
    this.#shaped.set(r, { form: key, curve });
    return curve;
  }

  /** Lies by whole turns where the live trace in front does, and that where it was. @param {Omit<Curve, 'xs'>} curve @param {number} live @returns {Omit<Curve, 'xs'>} */
  #level(curve, live) {
    const to = this.#turnless.get(live || this.#front);
    const lifted = lift(curve, turnsTo(curve.mid, to));
    if (live) this.#turnless.set(live, lifted.mid);
    return lifted;
  }

  /** How the lower plot is measured out by what it now shows; and the difference. @param {Drawn[]} all @param {number|null} delayMs of the live one @param {[number, number]} hz shown @returns {boolean} the difference needs another scale */
  measure(all, delayMs, hz) {
    const wide = this.#form === 'unwrapped' || this.#form === 'delay';
    const curves = wide ? all.flatMap((d) => (d.phase && d.name ? [d.phase(d.grid)] : [])) : [];
    if (this.#form === 'unwrapped') {
      this.#lower = { title: 'Phase', unit: 'degrees, unwrapped', range: span(ends(curves, 0, hz), STEPS_DEG, this.#lower), splits: every(STEPS_DEG, 21), tick: (v) => signed(v, 0) };
    } else if (this.#form === 'delay') {
      this.#lower = { title: 'Group delay', unit: delayMs === null ? 'ms' : `ms after ${fixed(delayMs, 2)} ms`, range: span(ends(curves, 0.02, hz), STEPS_MS, this.#lower), splits: every(STEPS_MS, 21), tick: (v) => signed(v, Math.abs(v) < 1 && v % 1 ? (Number((v * 10).toFixed(6)) % 1 ? 2 : 1) : Number(v.toFixed(6)) % 1 ? 1 : 0) };
    } else {
      this.#lower = this.#form === 'coherence' ? COHERENCE : WRAPPED;
    }
    if (!this.minus || !all.length) return false;
    const apart = all[all.length - 1];
    const most = ends([apart.magnitude?.(apart.grid) ?? { xs: [], mid: [] }], 0.02, hz);
    if (!most) return false;
    const reach = Math.max(-most[0], most[1]);
    const wanted = DIFFERENCES_DB.find((s) => reach <= 0.95 * s) ?? 48;
    // A larger scale at once, a smaller one only when there is room for it.
    if (!(wanted > this.#scale || reach < this.#scale * 0.35) || wanted === this.#scale) return false;
    this.#scale = wanted;
    return true;
  }

  /** @param {Response} r @returns {Omit<Curve, 'xs'>} */
  #shapeOf(r) {
    const counts = (/** @type {number} */ i) => r.coherence.length === 0 || (r.coherence[i] ?? -1) >= (r.threshold[i] ?? Infinity);
    const certainty = { coherence: r.coherence.length ? r.coherence : undefined, threshold: r.threshold };
    if (this.#form === 'coherence') return { mid: r.coherence };
    if (this.#form === 'wrapped') return { mid: r.deg, ...around(r.deg, r.error), ...certainty, wrap: 360 };
    const turnless = unwrapped(r.deg, counts);
    if (this.#form === 'unwrapped') return { mid: turnless, ...around(turnless, r.error), ...certainty };
    const { smoothing = 48, window = 'multi' } = this.#session.state?.settings ?? {};
    return { ...groupDelay(this.#gridOf(r), turnless, r.error, counts, r.threshold, { smoothing, window, rateHz: this.#session.state?.source.rate_hz || 48000 }), ...certainty };
  }

  /** @param {Response} response @param {Omit<Drawn, 'grid'>} as @param {number} [live] under 0: it is another one with every frame @returns {Drawn} */
  #drawn(response, as, live = 0) {
    const r = response;
    return {
      ...as, grid: /** @type {number[]} */ (this.#gridOf(r)), stored: true,
      magnitude: (xs) => ({ xs, mid: r.db, low: r.low.length ? r.low : undefined, high: r.high.length ? r.high : undefined, coherence: r.coherence.length ? r.coherence : undefined, threshold: r.threshold }),
      phase: r.deg.some((v) => v !== null) || this.#form === 'coherence' ? (xs) => this.shape(r, xs, live) : undefined,
    };
  }

  /** @param {number} id @param {Response} front @param {boolean} common */
  #response(id, front, common) {
    const { grid } = this;
    const own = this.#store.response(id, grid);
    if (!own || !(common || this.#common)) return own;
    // The delay found wanders by microseconds: what is turned by it is made anew only when that can be seen.
    const key = `${front.delayMs.toFixed(3)}`;
    if (this.#turned.key !== key) this.#turned = { key, responses: new Map() };
    let turned = this.#turned.responses.get(id);
    if (!turned || turned.db.length !== own.db.length) this.#turned.responses.set(id, (turned = shifted(own, NONE, front.delayMs, grid)));
    return turned;
  }

  /** The mean of those that are shown. @param {Response} front */
  #made(front) {
    const mean = this.#mean;
    if (!mean) return null;
    const all = this.#store.shown.map((t) => /** @type {Response} */ (this.#response(t.id, front, mean === 'complex'))).filter((r) => joins(r, mean));
    if (all.length < 2) return null;
    const kept = this.#averaged;
    if (kept.mean !== mean || kept.of.length !== all.length || kept.of.some((r, k) => r !== all[k])) this.#averaged = { mean, of: all, response: average(all, mean) };
    return { name: `mean of ${all.length}`, response: this.#averaged.response };
  }
}

/** @param {Target} target @param {readonly number[]} grid @returns {Drawn} */
function targetDrawn(target, grid) {
  const { mid, low, high } = targetOn(target, grid);
  return { name: target.name, short: '±', ink: -2, dash: [8, 3, 2, 3], front: false, band: true, grid: /** @type {number[]} */ (grid), magnitude: (xs) => ({ xs, mid, low, high }) };
}

/** @param {Values} mid @param {Values} error */
function around(mid, error) {
  if (!error.some((v) => v !== null)) return {};
  return { low: mid.map((v, i) => (v === null ? null : v - (error[i] ?? 180))), high: mid.map((v, i) => (v === null ? null : v + (error[i] ?? 180))) };
}

/** Where the trusted values lie that are shown, but for a share at both ends. @param {Curve[]} curves their xs are Hz @param {number} share @param {[number, number]} hz @returns {[number, number]|null} */
function ends(curves, share, hz) {
  const values = [];
  for (const c of curves) {
    for (let i = 0; i < c.mid.length; i++) {
      const v = c.mid[i];
      if (v !== null && c.xs[i] >= hz[0] && c.xs[i] <= hz[1] && trusted(c, i)) values.push(v);
    }
  }
  if (!values.length) return null;
  values.sort((x, y) => x - y);
  return [values[Math.floor(share * (values.length - 1))], values[Math.ceil((1 - share) * (values.length - 1))]];
}

/** How many whole turns up a curve lies nearest to another one, over all points that both have. @param {Values} mid @param {Values|undefined} to */
function turnsTo(mid, to) {
  if (to?.length !== mid.length) return 0;
  const apart = mid.flatMap((v, i) => (v === null || to[i] == null ? [] : [to[i] - v])).sort((a, b) => a - b);
  return apart.length ? Math.round(apart[apart.length >> 1] / 360) : 0;
}

/** @param {Omit<Curve, 'xs'>} c @param {number} turns @returns {Omit<Curve, 'xs'>} */
function lift(c, turns) {
  if (!turns) return c;
  const up = (/** @type {Values} */ v) => v.map((x) => (x === null ? null : x + 360 * turns));
  return { ...c, mid: up(c.mid), low: c.low && up(c.low), high: c.high && up(c.high) };
}

/** A range for that in whole steps with 0 in it; the present one stays while it fits. @param {[number, number]|null} of @param {number[]} steps @param {Lower} now @returns {[number, number]} */
function span(of, steps, now) {
  const [low, high] = of ?? [0, 0];
  const [lo, hi] = [Math.min(0, low), Math.max(0, high)];
  const [nowLo, nowHi] = now.range;
  const kept = now.title !== 'Phase' || now.unit !== WRAPPED.unit ? lo >= nowLo && hi <= nowHi && hi - lo > 0.45 * (nowHi - nowLo) : false;
  if (kept) return now.range;
  const step = steps.find((s) => (hi - lo) / s <= 5) ?? steps[steps.length - 1];
  return [Math.min(-step, Math.floor((lo - 0.1 * step) / step) * step), Math.max(step, Math.ceil((hi + 0.1 * step) / step) * step)];
}
