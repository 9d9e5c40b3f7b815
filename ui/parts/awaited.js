// @ts-check
// Where a result will stand: what it will be, and in the first place what to do next. Without results a page is these.

import { el, say } from '../core/dom.js';

export class Awaited {
  #next = el('p', { class: 'next', 'data-testid': 'next-step' });
  node;

  /**
   * @param {{title: string, text: string, part: number}[]} results part: of the height
   * @param {...Node} acts that begin it, under the first
   */
  constructor(results, ...acts) {
    this.node = el('div', { class: 'awaited', 'data-testid': 'awaited', hidden: true }, ...results.map(({ title, text, part }, k) => {
      const place = el('section', { class: 'place', 'aria-label': title }, el('h2', { text: title }), el('p', { text }), ...(k ? [] : [this.#next, el('div', { class: 'acts' }, ...acts)]));
      place.style.flexGrow = String(part);
      return place;
    }));
  }

  /** @param {boolean} shown @param {string} [next] what to do */
  show(shown, next = '') {
    this.node.hidden = !shown;
    say(this.#next, next);
  }
}
