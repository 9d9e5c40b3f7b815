// @ts-check
// A word that is changed where it stands: tap and type; Enter keeps it, Esc takes it back.

import { el } from '../core/dom.js';

export class TextField {
  #value = '';
  #empty;
  #commit;
  node;

  /** @param {{label: string, commit: (text: string) => void, testid?: string, placeholder?: string, empty?: boolean, most?: number, own?: boolean}} options empty: nothing is a value too; own: of this page alone, a viewer's too */
  constructor({ label, commit, testid, placeholder = '', empty = false, most = 80, own = false }) {
    this.#commit = commit;
    this.#empty = empty;
    this.node = el('input', {
      class: 'text', type: 'text', operates: own ? null : 'still', autocomplete: 'off', spellcheck: false, maxLength: most, placeholder, 'aria-label': label, 'data-testid': testid,
      onfocus: () => this.node.select(), onblur: () => this.#end(), oninput: () => this.#fit(),
      onkeydown: (/** @type {KeyboardEvent} */ e) => {
        if (e.key === 'Escape') this.node.value = this.#value;
        if (e.key === 'Escape' || e.key === 'Enter') this.node.blur();
      },
    });
  }

  /** Shows a text unless someone is writing one. @param {string} text */
  show(text) {
    this.#value = text;
    if (document.activeElement !== this.node && this.node.value !== text) this.node.value = text;
    this.#fit();
  }

  #end() {
    const text = this.node.value.trim();
    if (text !== this.#value && (text || this.#empty)) {
      this.#value = text;
      this.#commit(text);
    }
    this.node.value = this.#value;
    this.#fit();
  }

  #fit() {
    this.node.size = Math.max(3, (this.node.value || this.node.placeholder).length);
  }
}
