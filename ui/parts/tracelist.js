// @ts-check
// The stored traces one by one: named where they stand, shown, hidden, deleted; and more of them from elsewhere.

import { el, say } from '../core/dom.js';
import { clock } from '../core/format.js';
import { swatch } from './swatch.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').StoredTrace} StoredTrace */

export class TraceList {
  #store;
  #curves;
  /** @type {Map<number, TraceRow>} */
  #rows = new Map();
  #list = el('ul', { class: 'trace-rows' });
  #after = el('select', { 'data-testid': 'phase-after', onchange: () => (this.#curves.common = this.#after.value === 'live') },
    el('option', { value: '', text: 'each trace’s own delay' }), el('option', { value: 'live', text: 'the live delay' }));
  #file = el('input', { type: 'file', multiple: true, accept: '.csv,.txt,.tsv', hidden: true, 'data-testid': 'trace-file', onchange: () => void this.#import() });
  node = el('div', { class: 'trace-list' }, this.#list,
    el('label', { class: 'choice' }, el('span', { text: 'phase after' }), this.#after),
    el('p', { operates: 'hide' }, el('button', { type: 'button', text: 'Import a trace', onclick: () => this.#file.click() }), this.#file, el('small', { text: ' Text of frequency and magnitude, with phase and coherence if there are any.' })),
    el('p', { class: 'remark', text: 'Traces are kept in the show. What is shown and hidden is so on every page.' }));

  /** @param {import('./tracestore.js').TraceStore} store @param {import('./tracecurves.js').TraceCurves} curves */
  constructor(store, curves) {
    this.#store = store;
    this.#curves = curves;
  }

  show() {
    const { traces } = this.#store;
    for (const [id, row] of this.#rows) {
      if (traces.some((t) => t.id === id)) continue;
      row.node.remove();
      this.#rows.delete(id);
    }
    traces.forEach((t, k) => {
      let row = this.#rows.get(t.id);
      if (!row) this.#rows.set(t.id, (row = new TraceRow(this.#store, t)));
      if (this.#list.children[k] !== row.node) this.#list.insertBefore(row.node, this.#list.children[k] ?? null);
      row.show(t);
    });
    this.#after.value = this.#curves.common ? 'live' : '';
  }

  async #import() {
    for (const file of this.#file.files ?? []) await this.#store.importTrace(file.name.replace(/\.[^.]*$/, ''), file);
    this.#file.value = '';
  }
}

class TraceRow {
  #name;
  #number = el('b');
  #show = el('button', { type: 'button', class: 'shows', operates: 'still' });
  #facts = el('small');
  #delete = el('button', { type: 'button', class: 'quiet', text: 'Delete', operates: 'hide' });
  node;

  /** @param {import('./tracestore.js').TraceStore} store @param {StoredTrace} trace */
  constructor(store, { id, number }) {
    const now = (/** @type {(t: StoredTrace) => void} */ run) => {
      const t = store.trace(id);
      if (t) run(t);
    };
    this.#name = new TextField({ label: `Name of trace ${number}`, testid: `trace-name-${number}`, commit: (name) => now((t) => void store.change(t, { name })) });
    this.#show.onclick = () => now((t) => void store.change(t, { shown: !t.shown }));
    this.#delete.onclick = () => now((t) => void store.remove(t));
    this.#delete.dataset.testid = `trace-delete-${number}`;
    this.node = el('li', {}, el('span', { class: 'sample' }), this.#number, el('span', { class: 'texts' }, this.#name.node, this.#facts), this.#show, this.#delete);
  }

  /** @param {StoredTrace} t */
  show(t) {
    if (this.#number.textContent !== String(t.number)) this.node.firstElementChild?.replaceChildren(swatch(t));
    say(this.#number, String(t.number));
    this.#name.show(t.name);
    say(this.#show, t.shown ? 'Shown' : 'Hidden');
    this.#show.setAttribute('aria-pressed', String(t.shown));
    this.#show.setAttribute('aria-label', `${t.shown ? 'Hide' : 'Show'} trace ${t.number}`);
    this.#delete.setAttribute('aria-label', `Delete trace ${t.number}`);
    say(this.#facts, `${t.heard}, ${clock(Date.parse(t.at))}`);
  }
}
