// @ts-check
// One thing at a time on a phone: words that choose it, kept in the address. On larger screens they are not seen.

import * as address from '../core/address.js';
import { el } from '../core/dom.js';

export class Tabs {
  #names;
  #host;
  #changed;
  node = el('div', { class: 'tabs', role: 'group', 'aria-label': 'Shown' });

  /**
   * @param {HTMLElement} host its data-shows says which
   * @param {readonly (readonly [name: string, title: string])[]} list the first is shown unless the address says another
   * @param {() => void} changed
   */
  constructor(host, list, changed) {
    this.#host = host;
    this.#names = list.map(([name]) => name);
    this.#changed = changed;
    for (const [name, title] of list) this.node.append(el('button', { type: 'button', text: title, 'data-shows': name, onclick: () => this.show(name) }));
    const kept = address.text('plot', '');
    this.#mark(this.#names.includes(kept) ? kept : this.#names[0]);
  }

  /** @param {string} name */
  show(name) {
    this.#mark(name);
    address.set('plot', name === this.#names[0] ? null : name);
    this.#changed();
  }

  /** The next one or the one before. @param {-1|1} step */
  turn(step) {
    const k = this.#names.indexOf(this.#host.dataset.shows ?? '');
    this.show(this.#names[(k + step + this.#names.length) % this.#names.length]);
  }

  /** @param {string} name */
  #mark(name) {
    this.#host.dataset.shows = name;
    for (const tab of this.node.querySelectorAll('[data-shows]')) tab.setAttribute('aria-pressed', String(tab.getAttribute('data-shows') === name));
  }
}
