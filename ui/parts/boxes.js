// @ts-check
// The loudspeakers of the show: name, role, and the output that plays each.

import { el } from '../core/dom.js';
import { Field } from './field.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').Box} Box */

export class Boxes {
  #shelf;
  #session;
  #list = el('div', { class: 'list' });
  #name;
  node;

  /** @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session */
  constructor(shelf, session) {
    this.#shelf = shelf;
    this.#session = session;
    this.#name = el('input', { class: 'text', type: 'text', placeholder: 'name of another', maxLength: 80, 'aria-label': 'Name of a new loudspeaker', 'data-testid': 'new-loudspeaker' });
    const add = el('form', { class: 'row', operates: 'hide', onsubmit: (/** @type {Event} */ e) => {
      e.preventDefault();
      const name = this.#name.value.trim();
      if (!name) return;
      void shelf.add('loudspeakers', { name, role: shelf.loudspeakers.length ? 'fill' : 'main' });
      this.#name.value = '';
    } }, this.#name, el('button', { type: 'submit', text: 'Add' }));
    this.node = el('div', { class: 'boxes' }, this.#list, add);
  }

  show() {
    const { loudspeakers } = this.#shelf;
    const key = JSON.stringify(loudspeakers);
    if (this.#list.dataset.key === key || this.#list.contains(document.activeElement)) return;
    this.#list.dataset.key = key;
    this.#list.replaceChildren(...loudspeakers.map((l) => this.#row(l)));
  }

  /** @param {Box} l */
  #row(l) {
    const name = new TextField({ label: `Name of ${l.name}`, commit: (text) => void this.#shelf.change('loudspeakers', l.id, { name: text }) });
    const role = new TextField({ label: `Role of ${l.name}`, placeholder: 'role', empty: true, commit: (text) => void this.#shelf.change('loudspeakers', l.id, { role: text }) });
    name.show(l.name);
    role.show(l.role);
    const out = new Field({ label: `Output channel of ${l.name}`, step: 1, least: 0, most: 64, digits: 0, operates: true, commit: (v) => void this.#shelf.change('loudspeakers', l.id, { channel: v }) });
    out.show(l.channel);
    return el('div', { class: 'row' }, name.node, role.node,
      this.#session.rig ? null : el('span', { class: 'choice' }, el('span', { text: 'output' }), out.node),
      el('button', { type: 'button', text: 'Delete', operates: 'hide', onclick: () => void this.#shelf.remove('loudspeakers', l.id, l.name) }));
  }
}
