// @ts-check
// The ledger of a seat as a waterfall: from what two equal, coincident loudspeakers give (+6.02 dB) down to what
// arrives, one bar a cause, its sentence under it.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';

/** @typedef {import('../core/types.js').AlignSeat} AlignSeat */

const NAMES = /** @type {Record<string, string>} */ ({ level: 'Level', spectrum: 'Spectrum', phase: 'Phase', time: 'Time', polarity: 'Polarity', rest: 'Rest' });

export class Waterfall {
  #view;
  #rows = el('div', { class: 'falls' });
  #title = el('small');
  #comb = el('p', { class: 'comb', 'data-testid': 'comb' });
  #off;
  node = el('section', { class: 'ledger', 'aria-label': 'Ledger', 'data-testid': 'ledger' }, el('h2', {}, 'Ledger', this.#title), this.#rows, this.#comb);

  /** @param {import('../core/view.js').View} view */
  constructor(view) {
    this.#view = view;
    this.#off = view.onChange(() => this.#light());
  }

  close() {
    this.#off();
  }

  /** @param {AlignSeat|null} seat */
  show(seat) {
    this.node.hidden = !seat;
    if (!seat) return;
    say(this.#title, ` at ${seat.name}, dB over the louder alone`);
    const key = JSON.stringify([seat.seat, seat.take_a, seat.take_b, seat.take_both, seat.ledger, seat.name]);
    if (this.#rows.dataset.key !== key) {
      this.#rows.dataset.key = key;
      this.#rows.replaceChildren(...falls(seat));
      say(this.#comb, combWords(seat));
    }
    this.#light();
  }

  #light() {
    const about = this.#view.light?.about ?? '';
    for (const row of this.#rows.children) row.classList.toggle('lit', about === 'ledger' || about === `cause:${row.getAttribute('data-cause')}`);
    this.#comb.classList.toggle('lit', about === 'comb');
  }
}

/** @param {AlignSeat} seat */
function falls(seat) {
  const ideal = seat.ideal_gain_db ?? 6.02;
  const end = seat.gain_over_louder_db ?? ideal;
  let level = ideal;
  const levels = [ideal, 0, end, ...seat.ledger.map((r) => (level += r.change_db ?? 0))];
  const low = Math.min(-1, ...levels) - 0.3;
  const high = Math.max(...levels) + 0.3;
  const at = (/** @type {number} */ db) => `${((db - low) / (high - low)) * 100}%`;
  const bar = (/** @type {number} */ from, /** @type {number} */ to, /** @type {string} */ kind) => {
    const node = el('span', { class: `fall ${kind}` });
    node.style.left = at(Math.min(from, to));
    node.style.width = `calc(${at(Math.max(from, to))} - ${at(Math.min(from, to))})`;
    return node;
  };
  const zero = el('span', { class: 'zero' });
  zero.style.left = at(0);
  const row = (/** @type {string} */ cause, /** @type {string} */ name, /** @type {string} */ value, /** @type {string} */ interval, /** @type {string} */ sentence, /** @type {Node[]} */ ...marks) => el('div', { class: 'cause', 'data-cause': cause },
    el('span', { class: 'name', text: name }), el('span', { class: 'track' }, zero.cloneNode(), ...marks), el('span', { class: 'value' }, value, el('small', { text: interval })), el('p', { text: sentence }));
  level = ideal;
  const out = [row('ideal', 'Ideal', signed(ideal, 2), '', '', bar(0, ideal, 'total'))];
  for (const r of seat.ledger) {
    const change = r.change_db ?? 0;
    const whisker = el('span', { class: 'whisker' });
    whisker.style.left = at(level + (r.low_db ?? change));
    whisker.style.width = `calc(${at(level + (r.high_db ?? change))} - ${at(level + (r.low_db ?? change))})`;
    const line = el('span', { class: 'carry' });
    line.style.left = at(level + change);
    const half = ((r.high_db ?? NaN) - (r.low_db ?? NaN)) / 2;
    out.push(row(r.cause, NAMES[r.cause] ?? r.cause, signed(change, 1), Number.isFinite(half) ? ` ±${fixed(half, 1)}` : '', r.sentence, bar(level, level + change, change < 0 ? 'loss' : 'gain'), whisker, line));
    level += change;
  }
  const low_ = seat.gain_low_db;
  const high_ = seat.gain_high_db;
  out.push(row('measured', seat.predicted ? 'Predicted' : 'Measured', signed(end, 1), low_ !== null && high_ !== null ? ` ±${fixed((high_ - low_) / 2, 1)}` : '', '', bar(0, end, end < 0 ? 'total minus' : 'total')));
  return out;
}

/** @param {AlignSeat} seat */
export function combWords(seat) {
  const { notches_hz: notches, peaks_hz: peaks, depth_db: depth, peak_db: peak } = seat.comb;
  if (!notches.length) return 'No comb in this band.';
  const list = (/** @type {number[]} */ hz) => hz.slice(0, 3).map((f) => (f >= 1000 ? `${fixed(f / 1000, 2)} k` : fixed(f, 0))).join(', ') + (hz.length > 3 ? ' …' : '');
  return `Comb of today: notches at ${list(notches)} Hz, ${depth === null ? 'complete' : `${signed(depth, 0)} dB`}; peaks at ${list(peaks)} Hz, ${signed(peak, 1)} dB.`;
}
