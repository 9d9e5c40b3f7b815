// @ts-check
// What asks for somebody now, on every page: a change that the watch has found, a limit that is crossed.

import { el, say } from '../core/dom.js';
import { chime, chimes, setChime } from '../core/chime.js';
import { fit, lead } from '../core/headline.js';
import { MARKS } from '../core/marks.js';

/** @typedef {import('../core/session.js').Session} Session */

export class Alarm {
  #session;
  #glyph = el('span', { class: 'glyph', 'aria-hidden': 'true' });
  #text = el('span', { class: 'words' });
  #sound = el('button', { type: 'button', 'data-testid': 'alarm-sound', onclick: () => this.#turn() });
  #said = '';
  node;

  /** @param {Session} session @param {HTMLAnchorElement} link to where it is dealt with */
  constructor(session, link) {
    this.#session = session;
    link.append('Watch');
    this.node = el('div', { class: 'alarm', role: 'alert', hidden: true, 'data-testid': 'alarm' }, this.#glyph, this.#text, link, this.#sound);
    for (const topic of /** @type {const} */ (['watch', 'levels', 'status'])) session.on(topic, () => this.show());
    this.show();
  }

  show() {
    const alarms = this.#alarms();
    const [first] = alarms;
    this.node.hidden = !first;
    this.node.dataset.limit = String(!!first?.limit);
    this.node.dataset.mark = first?.mark ?? '';
    say(this.#glyph, first ? MARKS[first.mark] : '');
    say(this.#text, first ? first.text + (alarms.length > 1 ? ` And ${alarms.length - 1} more.` : '') : '');
    say(this.#sound, chimes() ? 'Sound on' : 'Sound off');
    this.#sound.setAttribute('aria-pressed', String(chimes()));
    const now = alarms.map((a) => a.key).join();
    if (alarms.some((a) => !this.#said.split(',').includes(a.key))) chime();
    this.#said = now;
  }

  #turn() {
    setChime(!chimes());
    this.show();
  }

  /** The most urgent first. @returns {{key: string, mark: 'attention'|'act', limit: boolean, text: string}[]} */
  #alarms() {
    const { watches, levels, state } = this.#session;
    const several = (state?.settings.microphones.length ?? 0) > 1;
    const named = (/** @type {number} */ channel, /** @type {string} */ text) => (several ? fit(this.#session.channelName(channel), text) : text);
    /** @type {{key: string, mark: 'attention'|'act', limit: boolean, text: string}[]} */
    const all = [];
    for (const m of levels?.microphones ?? []) {
      if (m.limit?.state === 'crossed') all.push({ key: `limit ${m.microphone}`, mark: 'act', limit: true, text: named(m.microphone, lead(`Limit crossed: ${m.limit.text}`)) });
    }
    for (const w of watches) {
      if (w.wrong && w.mark !== 'steady') all.push({ key: `watch ${w.microphone} ${w.wrong.kind} ${w.wrong.what}`, mark: w.mark, limit: false, text: named(w.microphone, w.headline) });
    }
    return all.sort((a, b) => Number(b.mark === 'act') - Number(a.mark === 'act'));
  }
}
