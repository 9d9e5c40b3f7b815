// @ts-check
// The delay of the microphone in front, large; set by hand or found, in place.

import { el, say } from '../core/dom.js';
import { feet, fixed, plusMinus } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { changeSettings } from '../core/api.js';
import { arrivals } from './arrivals.js';
import { Field } from './field.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */

const LONGEST_MS = 1500;

/** @param {number} sign */
const polarity = (sign) => (sign ? (sign > 0 ? 'same' : 'opposite') : 'undecided');

export class DelayNumber {
  #session;
  #view;
  #notices;
  #field;
  #metres = el('span', { 'data-testid': 'delay-m' });
  #feet = el('span', { 'data-testid': 'delay-ft' });
  #samples = el('span', { class: 'more', 'data-testid': 'delay-samples' });
  #sd = el('span', { class: 'more', 'data-testid': 'delay-sd' });
  #found = el('button', { type: 'button', text: 'Found', operates: 'hide', onclick: () => this.#set({ mode: 'auto' }) });
  #fixed = el('button', { type: 'button', text: 'Set by hand', operates: 'hide', onclick: () => this.#hold() });
  #polarity = el('p', { class: 'polarity', 'data-testid': 'polarity' });
  #caution = el('p', { class: 'caution', text: 'Switch amplifiers off before touching loudspeaker cables.', hidden: true });
  node;

  /** @param {Session} session @param {View} view @param {import('./notice.js').Notices} notices */
  constructor(session, view, notices) {
    this.#session = session;
    this.#view = view;
    this.#notices = notices;
    this.#field = new Field({
      operates: true,
      label: 'Delay in milliseconds', unit: 'ms', step: 0.1, least: 0, most: LONGEST_MS, digits: 2, testid: 'delay-ms',
      commit: (ms) => this.#set({ mode: 'fixed', ms }),
    });
    this.node = el('section', { class: 'delay', 'aria-label': 'Delay' },
      el('h2', { text: 'Delay' }), el('div', { class: 'big' }, this.#field.node), el('p', { class: 'also' }, this.#metres, this.#feet, this.#samples, this.#sd),
      el('div', { class: 'pair', role: 'group', 'aria-label': 'How the delay is chosen' }, this.#found, this.#fixed), this.#polarity, this.#caution);
  }

  draw() {
    const channel = this.#channel();
    const { frame, speedOfSound, hello } = this.#session;
    const [ms, sd, byHand] = frame.curve(channel, CURVE.delay);
    const known = typeof ms === 'number';
    this.#field.show(known ? ms : null);
    const m = known ? (ms / 1000) * speedOfSound : null;
    const samples = known && hello ? (ms / 1000) * hello.rate_hz : null;
    say(this.#metres, `${fixed(m, 2)} m`);
    say(this.#feet, `${feet(m)} ft`);
    say(this.#samples, `${fixed(samples, 1)} samples`);
    say(this.#sd, byHand || typeof sd !== 'number' ? '' : `${plusMinus(2 * sd, 3)} ms`);
    this.node.dataset.how = byHand ? 'fixed' : 'found';
    this.#found.setAttribute('aria-pressed', String(!byHand));
    this.#fixed.setAttribute('aria-pressed', String(!!byHand));
    const lit = ['delay', 'distance'].includes(this.#view.light?.about ?? '');
    this.node.classList.toggle('lit', lit);

    this.#showPolarity(frame, channel);
    this.#polarity.classList.toggle('lit', this.#view.light?.about === 'polarity');
  }

  /** Of several arrivals each has its own, under the number of its flag. @param {import('../core/frames.js').Frame} frame @param {number} channel */
  #showPolarity(frame, channel) {
    const [sign] = frame.curve(channel, CURVE.polarity);
    const all = arrivals(frame, channel);
    const several = all.length > 1;
    const signs = several ? all.map((a) => a.sign) : [sign ?? 0];
    explain(this.#polarity, `Polarity${several ? ':' : ''} ${signs.map((s, k) => (several ? `${all[k].place} ` : '') + polarity(s)).join(', ')}`, 'polarity');
    const inverted = signs.some((s) => s < 0);
    this.#polarity.classList.toggle('several', several);
    this.#polarity.dataset.polarity = inverted ? 'opposite' : signs.every((s) => s > 0) ? 'same' : 'undecided';
    this.#caution.hidden = !inverted;
  }

  #channel() {
    return this.#view.front(this.#session.state?.settings.microphones ?? []);
  }

  #hold() {
    const [ms] = this.#session.frame.curve(this.#channel(), CURVE.delay);
    this.#set({ mode: 'fixed', ms: typeof ms === 'number' ? Math.max(0, Number(ms.toFixed(3))) : 0 });
  }

  /** @param {object} delay */
  #set(delay) {
    void this.#notices.guard(changeSettings({ delay: [{ microphone: this.#channel(), ...delay }] }));
  }
}
