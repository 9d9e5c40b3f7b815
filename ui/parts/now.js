// @ts-check
// The levels now, large: LAF, LAeq over a time, LCpeak, with their unit and whether it is calibrated.

import * as address from '../core/address.js';
import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { duration } from '../draw/times.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/types.js').SoundLevel} SoundLevel */

const TEXT_MS = 120; // digits that can be read

/** A level's symbol, as IEC 61672-1 writes it. @param {string} index */
const symbol = (index) => el('span', { class: 'symbol' }, el('i', { text: 'L' }), el('sub', { text: index }));

export class Now {
  #session;
  #channel;
  #laf = el('output', { class: 'big', 'data-testid': 'laf' });
  #laeq = el('output', { class: 'big second', 'data-testid': 'laeq' });
  #peak = el('output', { class: 'big second', 'data-testid': 'lcpeak' });
  #over = el('select', { 'data-testid': 'laeq-over', 'aria-label': 'LAeq over', onchange: () => this.#choose() });
  #covered = el('small');
  #all = el('option', { value: '0' });
  #peakMost = el('small');
  #unit = el('span', { class: 'unit', 'data-testid': 'unit' });
  #calibrate;
  #minutes = address.number('leq', 0);
  #said = -Infinity;
  #off;
  node;

  /** @param {Session} session @param {() => number} channel in front @param {{guard: (change: Promise<any>) => Promise<any>}} notices @param {() => void} calibrate */
  constructor(session, channel, notices, calibrate) {
    this.#session = session;
    this.#channel = channel;
    this.#calibrate = el('button', { type: 'button', text: 'Calibrate', 'data-testid': 'calibrate', operates: 'hide', onclick: calibrate });
    const anew = el('button', { type: 'button', text: 'Start anew', 'data-testid': 'levels-reset', operates: 'hide', title: 'Averages, maxima and the budget of the limit; the log goes on', onclick: () => void notices.guard(ask('POST', '/api/v1/levels/reset')) });
    this.#over.replaceChildren(this.#all, ...[1, 5, 15, 30, 60].map((m) => el('option', { value: String(m), text: `${m} min` })));
    this.#over.value = String(this.#minutes);
    this.node = el('section', { class: 'levels-now', 'aria-label': 'Level now' },
      el('p', { class: 'calibrated' }, this.#unit, this.#calibrate),
      el('div', { class: 'level laf' }, el('h2', {}, symbol('AF'), el('small', { text: 'now' }), anew), this.#laf),
      el('div', { class: 'level laeq' }, el('h2', {}, symbol('Aeq'), el('label', { class: 'choice' }, this.#over), this.#covered), this.#laeq),
      el('div', { class: 'level lcpeak' }, el('h2', {}, symbol('Cpeak'), this.#peakMost), this.#peak));
    this.#off = session.on('levels', () => this.draw());
    this.draw();
  }

  close() {
    this.#off();
  }

  /** @returns {SoundLevel|null} */
  level() {
    return this.#session.levels?.microphones.find((m) => m.microphone === this.#channel()) ?? null;
  }

  draw() {
    const now = performance.now();
    if (now - this.#said < TEXT_MS) return;
    const level = this.level();
    this.#said = level ? now : -Infinity;
    const calibrated = !!level?.calibrated_at;
    say(this.#unit, !level ? 'dB' : calibrated ? `dB re 20 µPa, calibrated ${day(level.calibrated_at)}` : 'dBFS, not calibrated');
    this.#unit.classList.toggle('not', !!level && !calibrated);
    say(this.#laf, fixed(level?.laf_db, 1));
    const sliding = level?.sliding.find((s) => s.minutes === this.#minutes);
    say(this.#laeq, fixed(sliding ? sliding.laeq_db : level?.laeq_db, 1));
    const covered = sliding?.covered_s;
    say(this.#all, level ? `all ${duration(level.measured_s)}` : 'all');
    say(this.#covered, !level || !sliding || (sliding && (covered ?? 0) > sliding.minutes * 60 - 1.5) ? '' : duration(covered));
    say(this.#peak, fixed(level?.lcpeak_1s_db, 1));
    say(this.#peakMost, level ? `max ${fixed(level.lcpeak_db, 1)}` : '');
  }

  #choose() {
    this.#minutes = Number(this.#over.value);
    address.set('leq', this.#minutes || null);
    this.#said = -Infinity;
    this.draw();
  }
}

/** @param {string} at RFC 3339 */
export function day(at) {
  const when = new Date(at);
  const today = when.toDateString() === new Date().toDateString();
  const time = when.toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', hour12: false });
  const year = when.getFullYear() === new Date().getFullYear() ? undefined : 'numeric';
  return today ? time : `${when.toLocaleDateString([], { day: 'numeric', month: 'short', year })}, ${time}`;
}
