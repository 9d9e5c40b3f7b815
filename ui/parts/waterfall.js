// @ts-check
// The ledger of a seat as a waterfall: from what two equal, coincident loudspeakers give (+6.02 dB) down to what
// arrives, one bar a cause under its sentence, all on one scale.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/types.js').AlignSeat} AlignSeat */

const NAMES = /** @type {Record<string, string>} */ ({ level: 'Level', spectrum: 'Spectrum', phase: 'Phase', time: 'Time', polarity: 'Polarity', rest: 'Rest' });

export class Waterfall {
  #view;
  #rows = el('div', { class: 'falls' });
  #title = el('small');
  #comb = el('p', { class: 'comb', 'data-testid': 'comb' });
  #heads = el('p', { class: 'comb', 'data-testid': 'heads' });
  #off;
  node = el('section', { class: 'ledger', 'aria-label': 'Ledger', 'data-testid': 'ledger' }, el('h2', {}, explain(el('span'), 'Ledger', 'ledger'), this.#title), this.#rows, this.#heads, this.#comb);

  /** @param {import('../core/view.js').View} view */
  constructor(view) {
    this.#view = view;
    this.#off = view.onChange(() => this.#light());
  }

  close() {
    this.#off();
  }

  /** @param {AlignSeat|null} seat @param {number} [spreadCM] of heads about the microphone */
  show(seat, spreadCM = 0) {
    this.node.hidden = !seat;
    if (!seat) return;
    say(this.#title, ` at ${seat.name}, dB over the louder alone`);
    this.#heads.hidden = !spreadCM;
    say(this.#heads, `Where heads are: ${signed(seat.heads_db, 1)} dB today, ${signed(seat.heads_plan_db, 1)} dB with the plan.`);
    const key = JSON.stringify([seat.seat, seat.take_a, seat.take_b, seat.take_both, seat.ledger, seat.name]);
    if (this.#rows.dataset.key !== key) {
      this.#rows.dataset.key = key;
      this.#rows.replaceChildren(...falls(seat));
      explain(this.#comb, combWords(seat), 'comb');
    }
    this.#light();
  }

  #light() {
    const about = this.#view.light?.about ?? '';
    for (const row of this.#rows.querySelectorAll('.cause')) row.classList.toggle('lit', about === 'ledger' || about === `cause:${row.getAttribute('data-cause')}`);
    this.#comb.classList.toggle('lit', about === 'comb');
  }
}

const EVERY_DB = 2; // the scale
const WIDE = 0.46; // for the last one, with its name
const ROOM = 0.3; // of the scale is enough for what a bar comes to

/** @param {AlignSeat} seat */
function falls(seat) {
  const ideal = seat.ideal_gain_db ?? 6.02;
  const end = seat.gain_over_louder_db ?? ideal;
  let level = ideal;
  const levels = [ideal, 0, end, ...seat.ledger.map((r) => (level += r.change_db ?? 0))];
  const low = EVERY_DB * Math.floor((Math.min(...levels) - 1) / EVERY_DB);
  const high = Math.max(...levels) + 0.1;
  const share = (/** @type {number} */ db) => (db - low) / (high - low);
  const percent = (/** @type {number} */ part) => `${(100 * part).toFixed(2)}%`;
  const span = (/** @type {string} */ kind, /** @type {number} */ from, /** @type {number} */ to) => {
    const [a, b] = [from, to].map((db) => Math.min(1, Math.max(0, share(db)))).sort((x, y) => x - y);
    const node = el('span', { class: kind });
    node.style.left = percent(a);
    node.style.width = percent(b - a);
    return node;
  };
  /** What a bar comes to, at its left where there is room, at its right, or on it. @param {number} from @param {number} to @param {string} value @param {number|null} least @param {number|null} most @param {number} [room] */
  const figure = (from, to, value, least, most, room = ROOM) => {
    const half = ((most ?? NaN) - (least ?? NaN)) / 2;
    const node = el('span', { class: 'value' }, value, el('small', { text: Number.isFinite(half) ? ` ±${fixed(half, half < 0.1 ? 2 : 1)}` : '' }));
    const left = share(Math.min(from, to));
    const right = share(Math.max(from, to));
    if (left > room) node.style.right = percent(1 - left);
    else if (1 - right > room || right < room) node.style.left = percent(right);
    else { // on the bar
      node.style.right = percent(1 - right);
      node.classList.add('on');
    }
    return node;
  };
  const row = (/** @type {string} */ cause, /** @type {string} */ name, /** @type {string} */ sentence, /** @type {Node[]} */ ...marks) => el('div', { class: 'cause', 'data-cause': cause },
    el('div', { class: 'head' }, el('span', { class: 'name', text: name }), ' ', el('p', { text: sentence })), el('span', { class: 'track' }, ...marks));
  const scale = el('div', { class: 'scale', 'aria-hidden': 'true' });
  for (let db = low + EVERY_DB; db <= high; db += EVERY_DB) {
    const tick = el('span', { class: db ? '' : 'zero', text: signed(db, 0) });
    tick.style.left = percent(share(db));
    scale.append(tick);
  }
  const largest = seat.ledger.reduce((a, b) => ((b.change_db ?? 0) < (a.change_db ?? 0) ? b : a), seat.ledger[0]);
  const whole = el('div', { class: 'cause', 'data-cause': 'ideal' }, el('span', { class: 'track' }, span('fall ideal', 0, ideal), span('inside', 0, ideal)));
  whole.querySelector('.inside')?.append(el('span', { class: 'name', text: 'Ideal: two as one' }), el('span', { text: signed(ideal, 2) }));
  const out = [scale, whole];
  level = ideal;
  for (const r of seat.ledger) {
    const change = r.change_db ?? 0;
    const to = level + change;
    const marks = [span('carry', level, level), span(`fall ${change < 0 ? 'loss' : 'gain'}`, level, to), span('whisker', level + (r.low_db ?? change), level + (r.high_db ?? change)), figure(level, to, signed(change, 1), r.low_db, r.high_db)];
    const node = row(r.cause, NAMES[r.cause] ?? r.cause, r.sentence, ...marks);
    node.classList.toggle('largest', r === largest && change < -0.1);
    out.push(node);
    level = to;
  }
  const last = figure(0, end, signed(end, 1), seat.gain_low_db, seat.gain_high_db, WIDE);
  last.prepend(el('span', { class: 'name', text: seat.predicted ? 'Predicted' : 'Measured' }), ' ');
  out.push(el('div', { class: 'cause', 'data-cause': 'measured' }, el('span', { class: 'track' }, span('carry', end, end), span(`fall total${end < 0 ? ' minus' : ''}`, 0, end), span('whisker', seat.gain_low_db ?? end, seat.gain_high_db ?? end), last)));
  return out;
}

/** @param {AlignSeat} seat */
export function combWords(seat) {
  const { notches_hz: notches, peaks_hz: peaks, depth_db: depth, peak_db: peak } = seat.comb;
  if (!notches.length) return 'No comb in this band.';
  const list = (/** @type {number[]} */ hz) => hz.slice(0, 3).map((f) => (f >= 1000 ? `${fixed(f / 1000, 2)} k` : fixed(f, 0))).join(', ') + (hz.length > 3 ? ' …' : '');
  return `Comb of today: notches at ${list(notches)} Hz, ${depth === null ? 'complete' : `${signed(depth, 0)} dB`}; peaks at ${list(peaks)} Hz, ${signed(peak, 1)} dB.`;
}
