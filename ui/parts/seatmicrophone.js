// @ts-check
// The microphone that stands at a seat: as chosen, by its name, or the first.

import { el } from '../core/dom.js';

/** @typedef {import('../core/types.js').Seat} Seat */

export class SeatMicrophone {
  #session;
  /** @type {Map<number, number>} channel of the microphone at each seat, where somebody chose */
  #chosen = new Map();
  /** @type {Seat|null} */
  #seat = null;
  #select = el('select', { 'aria-label': 'Microphone at this seat', 'data-testid': 'survey-mic', operates: 'hide', onchange: () => this.#choose() });
  #changed;
  node = el('label', { class: 'choice' }, el('span', { text: 'microphone' }), this.#select);

  /** @param {import('../core/session.js').Session} session @param {() => void} [changed] */
  constructor(session, changed = () => {}) {
    this.#session = session;
    this.#changed = changed;
  }

  /** Its channel; 0 where there is none. @param {Seat|null} seat */
  at(seat) {
    const { known } = this;
    const chosen = seat && this.#chosen.get(seat.id);
    if (chosen && known.includes(chosen)) return chosen;
    return known.find((c) => this.#session.channelName(c) === seat?.name) ?? known[0] ?? 0;
  }

  /** Channels of all of them. */
  get known() {
    return this.#session.state?.settings.microphones ?? [];
  }

  /** @param {Seat|null} seat @param {boolean} [all] every seat has one of its own */
  show(seat, all = false) {
    this.#seat = seat;
    const { known } = this;
    this.node.hidden = known.length < 2 || !seat || all;
    const names = known.map((c) => this.#session.channelName(c));
    const key = JSON.stringify([known, names]);
    if (this.#select.dataset.key !== key) {
      this.#select.dataset.key = key;
      this.#select.replaceChildren(...known.map((c, k) => el('option', { value: String(c), text: names[k] })));
    }
    if (seat) this.#select.value = String(this.at(seat));
  }

  #choose() {
    if (this.#seat) this.#chosen.set(this.#seat.id, Number(this.#select.value));
    this.#changed();
  }
}
