// @ts-check
// What the microphone at this seat hears now, to be read at arm's length: when, and how loud.

import { el, say } from '../core/dom.js';
import { clock, fixed, plusMinus } from '../core/format.js';
import { CURVE } from '../core/frames.js';

const CLIPPED_MS = 3000; // long enough to look up

export class HereNow {
  #session;
  #delay = el('strong', { 'data-testid': 'here-delay' });
  #far = el('p');
  #level = el('strong', { 'data-testid': 'here-level' });
  #unit = el('small');
  #peak = el('p', { 'data-testid': 'here-peak' });
  #when = el('p', { class: 'when', 'data-testid': 'here-when' });
  #clipped = 0;
  #channel = 0;
  #clippedAt = -Infinity;
  node = el('section', { class: 'here-now', 'aria-label': 'What the microphone hears' },
    el('div', {}, el('h2', {}, 'Delay now ', el('small', { text: 'ms' })), el('p', { class: 'big' }, this.#delay), this.#far),
    el('div', {}, el('h2', {}, 'Level now ', this.#unit), el('p', { class: 'big' }, this.#level), this.#peak), this.#when);

  /** @param {import('../core/session.js').Session} session */
  constructor(session) {
    this.#session = session;
  }

  /** @param {number} channel of the microphone at this seat; 0: there is none */
  draw(channel) {
    const { frame, speedOfSound, status, levels } = this.#session;
    const away = status.lastMs > 0 && (!status.open || status.stale);
    say(this.#when, away ? `heard at ${clock(status.lastMs)}` : '');
    this.node.classList.toggle('then', away);
    if (away) return; // what was heard stays
    const [ms, sd] = frame.curve(channel, CURVE.delay);
    const known = typeof ms === 'number';
    say(this.#delay, fixed(known ? ms : null, 2));
    say(this.#far, known ? [`${fixed((ms / 1000) * speedOfSound, 2)} m`, typeof sd === 'number' ? `${plusMinus(2 * sd, 2)} ms` : ''].filter(Boolean).join(', ') : 'no arrival found');
    const [peak, rms, clipped] = frame.curve(channel, CURVE.levels);
    const sound = levels?.microphones.find((m) => m.microphone === channel && m.calibrated_at);
    say(this.#level, fixed(sound ? sound.laf_db : (rms ?? -Infinity), 1));
    say(this.#unit, sound ? 'dB(A)' : 'dBFS');
    const now = performance.now();
    if (channel !== this.#channel) this.#clipped = clipped ?? 0;
    if ((clipped ?? 0) > this.#clipped) this.#clippedAt = now;
    [this.#channel, this.#clipped] = [channel, clipped ?? 0];
    const hot = now - this.#clippedAt < CLIPPED_MS;
    this.#peak.classList.toggle('clipped', hot);
    say(this.#peak, hot ? '■ clipped: turn it down' : `peak ${fixed(peak ?? -Infinity, 1)} dBFS`);
  }
}
