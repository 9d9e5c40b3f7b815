// @ts-check
// Remarks about the show, and the report that others read.

import { el } from '../core/dom.js';

/** @typedef {import('../core/types.js').Note} Note */

export class Notebook {
  #shelf;
  #text = el('input', { class: 'text', type: 'text', placeholder: 'write a note', maxLength: 2000, 'aria-label': 'A new note', 'data-testid': 'new-note' });
  #list = el('ul', { class: 'notes' });
  node;

  /** @param {import('./shelf.js').Shelf} shelf */
  constructor(shelf) {
    this.#shelf = shelf;
    const form = el('form', { class: 'row', operates: 'hide', onsubmit: (/** @type {Event} */ e) => {
      e.preventDefault();
      const text = this.#text.value.trim();
      if (text) void shelf.add('notes', { text });
      this.#text.value = '';
    } }, this.#text, el('button', { type: 'submit', text: 'Add', 'data-testid': 'add-note' }));
    this.node = el('section', { class: 'notebook', 'aria-label': 'Notes' }, this.#list, form);
  }

  show() {
    const notes = this.#shelf.notes.filter((n) => !n.kind);
    const key = JSON.stringify(notes);
    if (this.#list.dataset.key === key) return;
    this.#list.dataset.key = key;
    this.#list.replaceChildren(...notes.map((n) => el('li', {}, el('span', { text: n.text }), el('small', { text: ` ${new Date(n.at).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', hour12: false })}` }),
      el('button', { type: 'button', class: 'quiet', text: 'Delete', operates: 'hide', onclick: () => void this.#shelf.remove('notes', n.id, n.text.length > 30 ? `${n.text.slice(0, 29)}…` : n.text) }))));
  }
}

const KEPT = /** @type {const} */ (['venue', 'operator', 'remark']);

/** Who measured, a remark, and the link. */
export class ReportLink {
  #link = el('a', { class: 'link', target: '_blank', rel: 'noopener', text: 'Open the report', 'data-testid': 'report' });
  #fields;
  #hint = el('small', { text: 'One page that needs nothing else; print it or keep it.' });
  node;

  constructor() {
    const field = (/** @type {typeof KEPT[number]} */ key, /** @type {string} */ placeholder, /** @type {number} */ most) => el('input', {
      class: 'text', type: 'text', placeholder, maxLength: most, 'aria-label': placeholder, 'data-testid': `report-${key}`, value: kept(key), oninput: () => this.#write(),
    });
    this.#fields = { venue: field('venue', 'venue', 80), operator: field('operator', 'who measured', 80), remark: field('remark', 'a remark for the report', 500) };
    this.node = el('section', { class: 'report-link', 'aria-label': 'Report' }, this.#fields.venue, this.#fields.operator, this.#fields.remark, this.#link, this.#hint);
    this.#write();
  }

  #write() {
    const query = new URLSearchParams();
    for (const key of KEPT) {
      const value = this.#fields[key].value.trim();
      if (value) query.set(key, value);
      try {
        localStorage.setItem(`plumbline.${key}`, value);
      } catch {
        // It lasts as long as the page.
      }
    }
    const text = String(query);
    this.#link.href = `/api/v1/show/report${text ? `?${text}` : ''}`;
  }
}

/** @param {string} key */
function kept(key) {
  try {
    return localStorage.getItem(`plumbline.${key}`) ?? '';
  } catch {
    return '';
  }
}
