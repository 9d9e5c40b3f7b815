// @ts-check
// What is being measured, while it is: the response so far with its interval, which shrinks as it gets sure.

import { ask } from '../core/api.js';
import { el, say, svg, throttle } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';

/** @typedef {import('../core/types.js').SurveyTrace} SurveyTrace */
/** @typedef {import('../core/types.js').MicrophoneTrace} MicrophoneTrace */

const EVERY_MS = 500; // the daemon has no newer one
const HEIGHT = 132; // CSS pixels
const MARGIN = { left: 34, right: 4, top: 4, bottom: 20 };
const SPAN_DB = 36;
const DECADES = [[100, '100 '], [1000, '1 k'], [10000, '10 k']];
const [LOW, HIGH] = [20, 20000];

export class Growing {
  #session;
  #drawing = svg('svg', { class: 'so-far', role: 'img', 'aria-label': 'The response so far' });
  #says = el('span', { 'data-testid': 'growing-says' });
  #ask = throttle(() => void this.#read(), EVERY_MS);
  /** @type {SurveyTrace|null} */
  #trace = null;
  #ink;
  #name;
  #observer;
  #closed = false;
  node = el('figure', { class: 'growing', 'data-testid': 'growing' }, this.#drawing, el('figcaption', {}, this.#says));

  /** @param {import('../core/session.js').Session} session @param {(playing: string[]) => string} ink the class of its colour @param {(channel: number) => string} name of a microphone */
  constructor(session, ink, name) {
    this.#session = session;
    this.#ink = ink;
    this.#name = name;
    this.#observer = new ResizeObserver(() => this.#draw());
    this.#observer.observe(this.node);
    this.#draw();
  }

  close() {
    this.#closed = true;
    this.#observer.disconnect();
  }

  /** Something of the survey changed. */
  follow() {
    const { survey } = this.#session;
    if (survey?.state === 'measuring') this.#ask();
    else if (survey?.state === 'ramping') this.#show(null); // the next step has nothing yet
  }

  async #read() {
    const trace = /** @type {SurveyTrace|null} */ (await ask('GET', '/api/v1/survey/trace').catch(() => null));
    const { survey } = this.#session;
    if (this.#closed || !trace || survey?.state === 'ramping') return;
    if (trace.step && trace.step === survey?.step) this.#show(trace);
  }

  /** @param {SurveyTrace|null} trace */
  #show(trace) {
    if (trace === this.#trace) return;
    this.#trace = trace;
    this.node.dataset.heard = String(trace?.heard_s ?? 0);
    this.#draw();
  }

  #draw() {
    const trace = this.#trace;
    const width = Math.max(200, this.node.clientWidth);
    const plot = { left: MARGIN.left, top: MARGIN.top, width: width - MARGIN.left - MARGIN.right, height: HEIGHT - MARGIN.top - MARGIN.bottom };
    this.#drawing.setAttribute('viewBox', `0 0 ${width} ${HEIGHT}`);
    const all = trace?.microphones ?? [];
    const peak = Math.max(...all.flatMap((m) => m.magnitude_db.filter((v, i) => v !== null && trusted(m, i))).map(Number));
    const top = Number.isFinite(peak) ? 6 * Math.ceil((peak + 3) / 6) : 0;
    const x = (/** @type {number} */ hz) => plot.left + (plot.width * Math.log(hz / LOW)) / Math.log(HIGH / LOW);
    const y = (/** @type {number} */ db) => plot.top + (plot.height * Math.min(SPAN_DB, Math.max(0, top - db))) / SPAN_DB;
    /** @type {SVGElement[]} */
    const parts = [];
    for (let db = top; db >= top - SPAN_DB; db -= 12) {
      parts.push(svg('line', { class: 'rule', x1: plot.left, x2: plot.left + plot.width, y1: y(db), y2: y(db) }));
      if (trace) parts.push(svg('text', { x: plot.left - 5, y: y(db) + 4, 'text-anchor': 'end', text: signed(db, 0) }));
    }
    for (const [hz, text] of DECADES) {
      const at = x(Number(hz));
      parts.push(svg('line', { class: 'rule', x1: at, x2: at, y1: plot.top, y2: plot.top + plot.height }), svg('text', { x: at, y: HEIGHT - 5, 'text-anchor': 'middle', text: `${text}Hz` }));
    }
    all.forEach((m, k) => parts.push(...shape(m, x, y, `${this.#ink(trace?.playing ?? [])} dash${k % 4}`)));
    this.#drawing.replaceChildren(...parts);
    const widths = all.flatMap((m) => m.high_db.map((v, i) => (v === null || m.low_db[i] === null || !trusted(m, i) ? NaN : (v - Number(m.low_db[i])) / 2))).filter((v) => v > 0).sort((a, b) => a - b);
    const half = widths[Math.floor(widths.length / 2)];
    say(this.#says, trace ? `${trace.playing.join(' + ')} so far, ${fixed(trace.heard_s, 0)} s${half ? `: half of it within ±${fixed(half, 1)} dB` : ''}${all.length > 1 ? `; ${all.map((m) => this.#name(m.microphone)).join(', ')}` : ''}` : 'Nothing is measured yet.');
  }
}

/** @param {MicrophoneTrace} m @param {number} i */
const trusted = (m, i) => (m.coherence[i] ?? 0) > (m.threshold[i] ?? 1);

/** The ribbon where it is known, the line where it is trusted. @param {MicrophoneTrace} m @param {(hz: number) => number} x @param {(db: number) => number} y @param {string} look */
function shape(m, x, y, look) {
  const at = (/** @type {number} */ i, /** @type {number|null} */ db) => `${x(m.frequency_hz[i]).toFixed(1)},${y(db ?? -999).toFixed(1)}`;
  /** @type {SVGElement[]} */
  const out = [];
  for (const [from, to] of runs(m, (i) => trusted(m, i) && m.high_db[i] !== null)) {
    const upper = [];
    const lower = [];
    const middle = [];
    for (let i = from; i < to; i++) {
      upper.push(at(i, m.high_db[i]));
      lower.unshift(at(i, m.low_db[i]));
      middle.push(at(i, m.magnitude_db[i]));
    }
    out.push(svg('polygon', { class: `ribbon ${look}`, points: [...upper, ...lower].join(' ') }), svg('polyline', { class: `line ${look}`, points: middle.join(' ') }));
  }
  return out;
}

/** Where something holds: from, and up to. @param {MicrophoneTrace} m @param {(i: number) => boolean} holds @returns {[number, number][]} */
function runs(m, holds) {
  /** @type {[number, number][]} */
  const out = [];
  let from = -1;
  for (let i = 0; i <= m.frequency_hz.length; i++) {
    const now = i < m.frequency_hz.length && holds(i);
    if (now && from < 0) from = i;
    if (!now && from >= 0) {
      if (i - from > 1) out.push([from, i]);
      from = -1;
    }
  }
  return out;
}
