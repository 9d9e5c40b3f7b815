// @ts-check
// What the plumb line reads: frequency, wavelength, and each curve's value with its interval.

import { el, say } from '../core/dom.js';
import { fixed, frequency, length, signed } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { apart, colourOf, nearest } from './chart.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/trace.js').Curve} Curve */
/** @typedef {import('../core/types.js').Values} Values */

const MOST = 8; // rows that fit the column

export class Reading {
  #session;
  #view;
  #spectrum;
  #title = el('h2', { 'data-testid': 'line-at' });
  #body = el('tbody');
  node = el('section', { class: 'reading', 'aria-label': 'At the line' }, this.#title,
    el('table', {}, el('caption', { class: 'hidden', text: 'At the line' }), el('thead', {}, el('tr', {}, ...['', 'dB', 'phase'].map((text) => el('th', { text, scope: 'col' })), explain(el('th', { scope: 'col' }), 'coherence', 'coherence'))), this.#body));

  /** @param {Session} session @param {View} view @param {import('./spectrum.js').Spectrum} spectrum */
  constructor(session, view, spectrum) {
    this.#session = session;
    this.#view = view;
    this.#spectrum = spectrum;
  }

  draw() {
    const { grid, state } = this.#session;
    const hz = this.#view.at;
    say(this.#title, `${frequency(hz)}, wavelength ${length(this.#session.speedOfSound / hz)}`);
    if (!grid.length || !state) return;
    const i = nearest(grid, hz);
    const known = state.settings.microphones;
    const front = this.#view.front(known);
    const shown = (this.#view.all ? [front, ...known.filter((c) => c !== front)] : [front]).slice(0, MOST);
    const beside = this.#spectrum.beside.slice(0, MOST - shown.length);
    const rows = shown.length + beside.length;
    while (this.#body.rows.length > rows) this.#body.deleteRow(-1);
    this.node.classList.toggle('dense', rows > 3);
    const names = apart(shown.map((channel) => this.#session.channelName(channel)));
    shown.forEach((channel, k) => this.#row(k, names[k], this.#spectrum.colour(channel), this.#spectrum.curve(channel, []), this.#spectrum.phaseCurve(channel, []), i));
    const { besideGrid } = this.#spectrum;
    const j = besideGrid === grid ? i : nearest(/** @type {number[]} */ (besideGrid), hz);
    beside.forEach(({ name, ink, response: r }, k) => {
      const [deg, error] = [r.deg[j], r.error[j]];
      /** @type {Values} */
      const high = [];
      if (deg != null && error != null) high[j] = deg + error;
      this.#row(shown.length + k, name, colourOf(ink, currentInk()), { xs: [], mid: r.db, low: r.low, high: r.high, coherence: r.coherence, threshold: r.threshold }, { xs: [], mid: r.deg, high }, j);
    });
  }

  /** @param {number} k @param {string} called @param {string} colour @param {Curve} m magnitude @param {Curve} p phase @param {number} i */
  #row(k, called, colour, m, p, i) {
    let row = this.#body.rows[k];
    if (!row) {
      row = el('tr', {}, el('th', { scope: 'row' }), el('td'), el('td'), el('td'));
      this.#body.append(row);
    }
    const [name, db, phase, trust] = row.cells;
    say(name, called);
    name.style.color = colour;
    two(db, signed(m.mid[i], 1), interval(m.mid[i], m.low?.[i], m.high?.[i], 1));
    const half = typeof p.high?.[i] === 'number' && typeof p.mid[i] === 'number' ? p.high[i] - p.mid[i] : null;
    two(phase, p.mid[i] == null ? '–' : `${signed(p.mid[i], 0)}°`, half === null ? '' : `±${fixed(half, half < 1 ? 1 : 0)}°`);
    const c = m.coherence?.[i];
    const limit = m.threshold?.[i];
    two(trust, fixed(c, 2), c == null || limit == null ? '' : c >= limit ? 'yes' : `< ${fixed(limit, 2)}`);
  }
}

/** A value over its interval. @param {HTMLElement} cell @param {string} value @param {string} under */
function two(cell, value, under) {
  if (!cell.firstChild) cell.append(el('span'), el('small'));
  say(/** @type {Node} */ (cell.firstChild), value);
  say(/** @type {Node} */ (cell.lastChild), under);
}

/**
 * ± where both sides are alike, both ends where they are not.
 * @param {number|null|undefined} mid @param {number|null|undefined} low @param {number|null|undefined} high @param {number} digits
 */
export function interval(mid, low, high, digits) {
  if (mid == null || low == null || high == null) return '';
  const up = high - mid;
  const down = mid - low;
  if (Math.abs(up - down) < 0.5 * 10 ** -digits) return `±${fixed(Math.max(up, down), digits)}`;
  return `${signed(low, digits)} … ${signed(high, digits)}`;
}
