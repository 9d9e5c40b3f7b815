// @ts-check
// Input levels: the bar is RMS, the tick is peak, and clipping stays until someone has seen it.

import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { CURVE } from '../core/frames.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */

const FLOOR_DB = -72;
const TEXT_MS = 250; // digits that can be read
const FALL_DB = 0.8; // a drawn frame

/** @param {number} db */
const part = (db) => Math.min(1, Math.max(0, 1 - db / FLOOR_DB));

class Meter {
  #bar = el('span', { class: 'rms' });
  #tick = el('span', { class: 'peak' });
  #named = el('span');
  #role = el('span', { class: 'role', text: ', reference', hidden: true });
  #name = el('span', { class: 'name' }, this.#named, this.#role);
  #rms = el('span', { class: 'level' });
  #peakLevel = el('span', { class: 'level peak-level' });
  #clip = el('button', { class: 'clip', type: 'button', hidden: true });
  #seen = 0;
  #clipped = 0;
  #peak = FLOOR_DB;
  #said = 0;
  node = el('div', { class: 'meter', role: 'group' }, this.#name, this.#rms, this.#peakLevel, this.#clip,
    el('div', { class: 'scale', 'aria-hidden': 'true' }, this.#bar, this.#tick));

  constructor() {
    this.#clip.addEventListener('click', () => {
      this.#seen = this.#clipped;
      this.#clip.hidden = true;
    });
  }

  /** @param {string} name @param {boolean} reference @param {import('../core/types.js').Values} levels @param {boolean} lit */
  draw(name, reference, [peak, rms, clipped], lit) {
    say(this.#named, name);
    if (this.#role.hidden === reference) this.#role.hidden = !reference;
    this.#name.title = name;
    this.node.classList.toggle('lit', lit);
    const top = peak ?? -Infinity;
    this.#peak = Math.max(top, this.#peak - FALL_DB, FLOOR_DB);
    this.#bar.style.transform = `scaleX(${part(rms ?? -Infinity)})`;
    this.#tick.style.transform = `translateX(${part(this.#peak) * 100}%)`;
    this.#clipped = clipped ?? 0;
    if (this.#clipped < this.#seen) this.#seen = 0; // the daemon began anew
    const clip = this.#clipped > this.#seen;
    if (this.#clip.hidden === clip) this.#clip.hidden = !clip;
    if (clip) {
      say(this.#clip, 'Clipped');
      this.#clip.setAttribute('aria-label', `${name} clipped ${this.#clipped - this.#seen} samples; press when seen`);
      this.#clip.title = `${this.#clipped - this.#seen} samples at full scale. Press when seen.`;
    }
    const now = performance.now();
    if (now - this.#said < TEXT_MS) return;
    this.#said = now;
    say(this.#rms, fixed(rms ?? -Infinity, 1));
    say(this.#peakLevel, fixed(top, 1));
  }
}

export class Meters {
  #session;
  #view;
  /** @type {Map<number, Meter>} */
  #meters = new Map();
  #list = el('div', { class: 'list' });
  node = el('section', { class: 'meters', 'aria-label': 'Input levels' }, el('h2', {}, 'Inputs', el('small', { text: ' dBFS' }), el('small', { class: 'columns', text: 'rms' }), el('small', { class: 'peak-level', text: 'peak' })), this.#list);

  /** @param {Session} session @param {View} view */
  constructor(session, view) {
    this.#session = session;
    this.#view = view;
  }

  draw() {
    const settings = this.#session.state?.settings;
    if (!settings) return;
    const front = this.#view.front(settings.microphones);
    // Of more microphones the one in front is the one to watch.
    const microphones = settings.microphones.length > 4 ? [front] : settings.microphones;
    const channels = [settings.reference, ...microphones];
    if ([...this.#meters.keys()].join() !== channels.join()) {
      this.#meters = new Map(channels.map((c) => [c, this.#meters.get(c) ?? new Meter()]));
      this.#list.replaceChildren(...[...this.#meters.values()].map((m) => m.node));
    }
    const about = this.#view.light?.about;
    for (const [channel, meter] of this.#meters) {
      const reference = channel === settings.reference;
      const lit = reference ? about === 'reference' : about === 'microphone' && channel === front;
      const name = this.#session.channelName(channel);
      meter.node.classList.toggle('behind', !reference && channel !== front);
      meter.draw(name, reference, this.#session.frame.curve(channel, CURVE.levels), lit);
    }
  }
}
