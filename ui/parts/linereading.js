// @ts-check
// What the plumb line reads in the log: the levels of that moment, and the band under it.

import { el, say } from '../core/dom.js';
import { clock, fixed, frequency } from '../core/format.js';
import { rowMidHz, rowOf } from '../draw/bandrows.js';
import { duration } from '../draw/times.js';

const ROWS = /** @type {const} */ (['laeq', 'lafmax', 'lceq', 'lcpeak']);
const NAMES = { laeq: 'Aeq', lafmax: 'AFmax', lceq: 'Ceq', lcpeak: 'Cpeak' };

export class LineReading {
  #view;
  #chart;
  #difference;
  #title = el('h2', { 'data-testid': 'line-at' });
  #cells = ROWS.map(() => el('td'));
  #band = el('td', { 'data-testid': 'line-band' });
  #bandName = el('th', { scope: 'row' });
  #versus = el('td', { 'data-testid': 'line-difference' });
  #follow;
  node;

  /** @param {import('../core/view.js').View} view @param {import('./timechart.js').TimeChart} chart @param {import('./difference.js').Difference} difference @param {import('./timeview.js').TimeView} time */
  constructor(view, chart, difference, time) {
    this.#view = view;
    this.#chart = chart;
    this.#difference = difference;
    this.#follow = el('button', { type: 'button', text: 'Newest', hidden: true, onclick: () => time.point(null) });
    const row = (/** @type {Node[]} */ name, /** @type {HTMLElement} */ cell) => el('tr', {}, el('th', { scope: 'row' }, ...name), cell);
    this.node = el('section', { class: 'line-reading', 'aria-label': 'At the line' }, el('header', {}, this.#title, this.#follow),
      el('table', {}, el('caption', { class: 'hidden', text: 'At the line' }), el('tbody', {},
        ...ROWS.map((key, k) => row([el('i', { text: 'L' }), el('sub', { text: NAMES[key] })], this.#cells[k])),
        el('tr', {}, this.#bandName, this.#band), el('tr', {}, el('th', { scope: 'row', text: 'to baseline' }), this.#versus))));
    this.time = time;
  }

  draw() {
    const { layer, slot, unixS } = this.#chart.atLine();
    const first = layer.at(unixS) * layer.step;
    say(this.#title, layer.step === 1 ? clock(unixS * 1000) : `${clock(first * 1000).slice(0, layer.step < 60 ? 8 : 5)}, ${duration(layer.step)}`);
    this.#follow.hidden = this.time.line === null;
    ROWS.forEach((key, k) => say(this.#cells[k], slot < 0 ? '–' : `${fixed(layer[key][slot], 1)} dB`));
    const row = Math.max(0, Math.round(rowOf(this.#view.at)));
    say(this.#bandName, frequency(rowMidHz(row)));
    say(this.#band, slot < 0 ? '–' : `${fixed(layer.band(slot, row), 1)} dB`);
    say(this.#versus, this.#difference.tell());
  }
}
