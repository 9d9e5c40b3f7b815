// @ts-check
// The arrival times are those of another seat than the one that was chosen: said before anything is stored.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';

/** @typedef {import('../core/types.js').SeatDoubt} SeatDoubt */

export class Whereabouts {
  #notices;
  #text = el('p', { class: 'sure', 'data-testid': 'astray' });
  #times = el('table');
  #found = el('button', { type: 'button', 'data-testid': 'store-found', operates: 'hide', onclick: () => void this.#answer('found') });
  #chosen = el('button', { type: 'button', 'data-testid': 'store-chosen', operates: 'hide', onclick: () => void this.#answer('chosen') });
  #none = el('button', { type: 'button', text: 'Discard, I move the microphone', 'data-testid': 'store-none', operates: 'hide', onclick: () => void this.#answer('none') });
  node;

  /** @param {import('./notice.js').Notices} notices */
  constructor(notices) {
    this.#notices = notices;
    this.node = el('div', { class: 'astray', role: 'alertdialog', 'aria-label': 'At which seat is the microphone?', hidden: true }, this.#text, this.#times, el('div', { class: 'answers' }, this.#found, this.#chosen, this.#none));
  }

  /** @param {SeatDoubt[]} doubts */
  show(doubts) {
    this.node.hidden = !doubts.length;
    const key = JSON.stringify(doubts);
    if (!doubts.length || this.node.dataset.key === key) return;
    this.node.dataset.key = key;
    const names = (/** @type {(d: SeatDoubt) => string} */ of) => [...new Set(doubts.map(of))].join(', ');
    const sure = doubts.every((d) => d.times.some((t) => t.chosen_ms !== null));
    const [d] = doubts;
    say(this.#text, doubts.length > 1 ? '▲ Each of these microphones hears what another seat does.' : sure ? `▲ You are at ${d.found_name}, not ${d.chosen_name}.` : `▲ Are you still at ${d.found_name}?`);
    say(this.#found, `Store at ${names((x) => x.found_name)}`);
    say(this.#chosen, `Store at ${names((x) => x.chosen_name)} all the same`);
    const ms = (/** @type {number|null} */ v) => (v === null ? 'none' : fixed(v, 2));
    this.#times.replaceChildren(
      el('caption', { class: 'hidden', text: 'Arrival times in milliseconds' }),
      el('thead', {}, el('tr', {}, el('th', { scope: 'col', text: 'ms' }), ...['now', ...(doubts.length > 1 ? ['found', 'chosen'] : [d.found_name, d.chosen_name])].map((text) => el('th', { scope: 'col', text })))),
      el('tbody', {}, ...doubts.flatMap((x) => x.times.map((t) => el('tr', {}, el('th', { scope: 'row', text: doubts.length > 1 ? `${t.loudspeaker}, ${x.found_name} not ${x.chosen_name}` : t.loudspeaker }),
        ...[t.heard_ms, t.found_ms, t.chosen_ms].map((v) => el('td', { text: ms(v) })))))));
  }

  /** @param {'found'|'chosen'|'none'} store */
  async #answer(store) {
    await this.#notices.guard(ask('POST', '/api/v1/survey/answer', { store }));
  }
}
