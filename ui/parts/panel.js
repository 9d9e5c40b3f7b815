// @ts-check
// The frame around a plot: its name, what is set on it, the way back to the whole range, the way out.

import { el, say } from '../core/dom.js';
import { explain } from './glossary.js';

/**
 * @typedef {object} PanelOptions
 * @property {string} id
 * @property {string} title
 * @property {string} unit
 * @property {import('./glossary.js').Term} [term] that is in its title
 * @property {() => void} home
 * @property {(kind: 'png'|'svg'|'csv') => void} save
 * @property {() => void} table
 */

export class Panel {
  host = el('div', { class: 'plot' });
  /** Where controls of this plot stand. */
  tools = el('div', { class: 'tools' });
  #home;
  #title = el('span', { class: 'title' });
  #terms;
  #unit = el('small');
  node;

  /** @param {PanelOptions} options */
  constructor(options) {
    this.#home = el('button', { class: 'home', type: 'button', text: 'Whole range', hidden: true, onclick: options.home, 'data-testid': `home-${options.id}` });
    this.#terms = options.term ? [options.term] : [];
    const menu = el('details', { class: 'menu' },
      el('summary', { 'aria-label': `Export the ${options.title.toLowerCase()} plot, or read it as a table` }, el('span', { text: 'Export' })),
      el('div', { class: 'choices' },
        ...(/** @type {const} */ (['png', 'svg', 'csv'])).map((kind) => el('button', {
          type: 'button', text: kind.toUpperCase(), onclick: () => {
            menu.open = false;
            options.save(kind);
          },
        })),
        el('button', { type: 'button', text: 'Table', onclick: () => {
          menu.open = false;
          options.table();
        } })));
    folds(menu);
    this.node = el('section', { class: 'panel', 'data-plot': options.id },
      el('header', { class: 'head' }, el('h2', {}, this.#title, this.#unit), this.tools, el('span', { class: 'gap' }), this.#home, menu),
      this.host);
    this.rename(options.title, options.unit);
  }

  /** What it shows, in other words. @param {string} title @param {string} unit */
  rename(title, unit) {
    explain(this.#title, title, ...this.#terms);
    say(this.#unit, ` ${unit}`);
    const name = `${title}, ${unit}`;
    if (this.node.getAttribute('aria-label') === name) return;
    this.node.setAttribute('aria-label', name);
    // The plot's own: it is made after this, and takes it from here.
    this.host.dataset.name = `Plot of ${title.toLowerCase()}, ${unit}; its table is under Export`;
    this.host.querySelector('canvas')?.setAttribute('aria-label', this.host.dataset.name);
  }

  /** @param {boolean} whole */
  atHome(whole) {
    if (this.#home.hidden !== whole) this.#home.hidden = whole;
  }
}

/** A menu closes when it is left, and on Esc. @param {HTMLDetailsElement} menu */
export function folds(menu) {
  menu.addEventListener('focusout', (e) => {
    if (!menu.contains(/** @type {Node|null} */ (e.relatedTarget))) menu.open = false;
  });
  menu.addEventListener('keydown', (e) => {
    if (e.key !== 'Escape' || !menu.open) return;
    e.preventDefault();
    menu.open = false;
    menu.querySelector('summary')?.focus();
  });
}
