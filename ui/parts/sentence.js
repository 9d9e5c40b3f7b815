// @ts-check
// The sentence over a page: a mark, how sure, what happened and what to do, the figures, and the cautions on
// a line of their own; phrases light their evidence.

import { el, say } from '../core/dom.js';
import { glyph } from '../core/marks.js';

/** @typedef {import('../core/types.js').Part} Part */

export class Sentence {
  #view;
  #lights;
  #glyph = el('span', { class: 'glyph', 'aria-hidden': 'true' });
  #certainty = el('span', { class: 'certainty' });
  #mark = el('button', { class: 'mark', type: 'button', 'aria-expanded': 'false', onclick: () => this.#expand() }, this.#glyph, this.#certainty);
  #headline = el('p', { class: 'headline', 'aria-live': 'polite', 'aria-atomic': 'true', 'data-testid': 'headline', hidden: true });
  #sentence = el('p', { class: 'sentence', 'aria-live': 'polite', 'aria-atomic': 'true', 'data-testid': 'verdict' });
  #cautions = el('p', { class: 'cautions', 'data-testid': 'cautions' });
  #more = el('button', { class: 'more', type: 'button', text: 'All of it', hidden: true, onclick: () => this.#unfold() });
  #figures = el('p', { class: 'figures', hidden: true });
  #status = el('p', { class: 'status', role: 'status', 'data-testid': 'status' });
  #evidence;
  node = el('div', { class: 'verdict' }, el('div', { class: 'side' }, this.#mark), el('div', { class: 'says' }, this.#headline, this.#sentence, this.#cautions, this.#figures, this.#status), this.#more);

  /**
   * @param {import('../core/view.js').View} view
   * @param {RegExp} lights what phrases may be about, so as to light something; others are plain text
   * @param {() => string} evidence the figures behind the word of certainty
   */
  constructor(view, lights, evidence) {
    this.#view = view;
    this.#lights = (/** @type {string|undefined} */ about) => !!about && lights.test(about);
    this.#evidence = evidence;
  }

  /**
   * The headline is read in two seconds, the parts are its evidence; without one they are
   * the sentence itself.
   * @param {{mark: ''|'steady'|'attention'|'act', certainty: string, headline?: string, parts: Part[], trouble: string}} says
   */
  show({ mark, certainty, headline = '', parts, trouble }) {
    this.#lead(headline);
    say(this.#glyph, mark && glyph(mark, certainty));
    this.node.dataset.mark = mark;
    this.#write(this.#sentence, parts.filter((p) => !p.caution));
    this.#write(this.#cautions, parts.filter((p) => p.caution));
    say(this.#certainty, certainty);
    this.#mark.disabled = !certainty;
    this.#mark.setAttribute('aria-label', `${mark}, ${certainty}: the figures behind it`);
    this.#fold();
    if (!this.#figures.hidden) say(this.#figures, this.#evidence());
    say(this.#status, trouble);
  }

  /** @param {string} headline */
  #lead(headline) {
    say(this.#headline, headline);
    this.#headline.hidden = !headline;
    this.node.classList.toggle('led', !!headline);
    // One of the two is read out when it changes.
    this.#sentence.setAttribute('aria-live', headline ? 'off' : 'polite');
  }

  /** @param {HTMLElement} line @param {Part[]} parts */
  #write(line, parts) {
    const old = [...line.children];
    const known = (/** @type {Part} */ p) => (this.#lights(p.about) || p.about === 'setup' ? p.about : '');
    const same = old.length === parts.length && parts.every((p, i) => (old[i].getAttribute('data-about') ?? '') === known(p));
    if (same) {
      parts.forEach((p, i) => say(old[i], p.text));
      return;
    }
    line.replaceChildren(...parts.map((p) => (p.about === 'setup' ? el('a', { class: 'link', href: '/setup', text: p.text, 'data-about': p.about }) : this.#lights(p.about) ? this.#phrase(p) : el('span', { text: p.text }))));
  }

  /** @param {Part} part */
  #phrase(part) {
    const light = () => this.#view.setLight({ about: /** @type {string} */ (part.about) });
    // Not a button element: a phrase breaks over lines like the words around it.
    return el('span', {
      class: part.text.length < 20 ? 'phrase whole' : 'phrase', role: 'button', tabIndex: 0, text: part.text, 'data-about': part.about, onclick: light,
      onkeydown: (/** @type {KeyboardEvent} */ e) => {
        if (e.key !== 'Enter' && e.key !== ' ') return;
        e.preventDefault(); // the space bar scrolls otherwise
        light();
      }, onpointerenter: light, onfocus: (/** @type {FocusEvent} */ e) => {
        light();
        this.#reveal(/** @type {HTMLElement} */ (e.currentTarget));
      },
      onpointerleave: () => this.#view.setLight(null), onblur: () => this.#view.setLight(null),
    });
  }

  /** What is long is cut after a few lines, until asked for. */
  #fold() {
    const cut = [this.#sentence, this.#cautions].some((p) => p.scrollHeight > p.clientHeight + 4);
    if (!this.node.classList.contains('unfolded') && this.#more.hidden === cut) this.#more.hidden = !cut;
  }

  /** What has the focus can be seen. @param {HTMLElement} phrase */
  #reveal(phrase) {
    const line = phrase.parentElement;
    if (!line || this.node.classList.contains('unfolded')) return;
    if (phrase.getBoundingClientRect().bottom > line.getBoundingClientRect().bottom + 1) this.#unfold();
  }

  #unfold() {
    const open = this.node.classList.toggle('unfolded');
    say(this.#more, open ? 'Less' : 'All of it');
  }

  #expand() {
    this.#figures.hidden = !this.#figures.hidden;
    this.#mark.setAttribute('aria-expanded', String(!this.#figures.hidden));
    say(this.#figures, this.#evidence());
  }
}
