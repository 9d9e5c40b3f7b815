// @ts-check
// Which microphone is in front, and whether the others are drawn behind it.

import { el } from '../core/dom.js';

export class Chooser {
  #session;
  #view;
  #off;
  node = el('div', { class: 'chooser', role: 'group', 'aria-label': 'Microphone' });

  /** @param {import('../core/session.js').Session} session @param {import('../core/view.js').View} view */
  constructor(session, view) {
    this.#session = session;
    this.#view = view;
    const show = () => this.#show();
    this.#off = [session.on('state', show), view.onChange(show)];
    show();
  }

  close() {
    for (const off of this.#off) off();
  }

  /** @param {-1|1} by */
  step(by) {
    const known = this.#session.state?.settings.microphones ?? [];
    if (!known.length) return;
    const k = known.indexOf(this.#view.front(known));
    this.#view.setPrimary(known[(k + by + known.length) % known.length]);
  }

  #show() {
    const known = this.#session.state?.settings.microphones ?? [];
    const front = this.#view.front(known);
    const key = JSON.stringify([known, front, this.#view.all, known.map((c) => this.#session.channelName(c))]);
    if (this.node.dataset.key === key) return;
    this.node.dataset.key = key;
    this.node.hidden = known.length < 2;
    const button = (/** @type {string} */ text, /** @type {boolean} */ pressed, /** @type {() => void} */ run) => el('button', { type: 'button', text, 'aria-pressed': pressed, onclick: run });
    const names = known.length > 6
      ? [el('label', { class: 'choice' }, el('span', { text: 'seat' }), this.#select(known, front))]
      : known.map((c) => button(this.#session.channelName(c), c === front, () => this.#view.setPrimary(c)));
    this.node.replaceChildren(...names, button('All', this.#view.all, () => this.#view.setAll(!this.#view.all)));
  }

  /** @param {number[]} known @param {number} front */
  #select(known, front) {
    const select = el('select', { onchange: () => this.#view.setPrimary(Number(select.value)) }, ...known.map((c) => el('option', { value: String(c), text: this.#session.channelName(c) })));
    select.value = String(front);
    return select;
  }
}
