// @ts-check
// A number that is set where it stands: tap, type, drag sideways or use the arrows; Esc takes it back.

import { el } from '../core/dom.js';
import { fixed, parse } from '../core/format.js';

/**
 * @typedef {object} FieldOptions
 * @property {string} label for those who do not see it
 * @property {string} [unit]
 * @property {number} step
 * @property {number} least
 * @property {number} most
 * @property {number} digits
 * @property {(value: number, gesture: string) => void} commit gesture: what is set in one go has the same
 * @property {string} [testid]
 * @property {boolean} [operates] only an operator may set it
 */

const DRAG_PX = 4; // a step
let gestures = 0;

export class Field {
  #options;
  /** @type {number|null} */
  #value = null;
  #editing = false;
  #dragged = false;
  /** @type {number|null} before anybody touched it: where Esc goes back to */
  #before = null;
  #gesture = '';
  #input;
  node;

  /** @param {FieldOptions} options */
  constructor(options) {
    this.#options = options;
    this.#input = el('input', {
      type: 'text', inputMode: 'decimal', autocomplete: 'off', spellcheck: false, 'aria-label': options.label, role: 'spinbutton',
      'aria-valuemin': options.least, 'aria-valuemax': options.most, 'data-testid': options.testid, value: '–', operates: options.operates ? 'still' : null,
      onfocus: () => {
        this.#editing = true;
        if (!this.#dragged) this.#begin(this.#value);
        if (!this.#dragged) this.#input.select();
      },
      onblur: () => this.#end(true),
      onkeydown: (/** @type {KeyboardEvent} */ e) => this.#key(e),
    });
    this.node = el('label', { class: 'field', onpointerdown: (/** @type {PointerEvent} */ e) => this.#drag(e) }, this.#input, options.unit ? el('span', { class: 'unit', text: options.unit }) : null);
  }

  /** Shows a value unless someone is setting one. @param {number|null|undefined} value */
  show(value) {
    this.#value = value ?? null;
    if (!this.#editing) this.#write();
  }

  /** @param {boolean} off */
  disable(off) {
    this.#input.disabled = off;
  }

  #write() {
    const text = fixed(this.#value, this.#options.digits);
    if (this.#input.value !== text) this.#input.value = text;
    this.#input.style.width = `${Math.max(1, [...text].reduce((w, c) => w + (c === '.' ? 0.5 : 1), 0)) + 0.3}ch`;
    if (this.#value !== null) this.#input.setAttribute('aria-valuenow', String(this.#value));
    else this.#input.removeAttribute('aria-valuenow');
  }

  /** @param {number} value */
  #commit(value) {
    const { least, most, digits, commit } = this.#options;
    const kept = Number(Math.min(most, Math.max(least, value)).toFixed(digits));
    if (kept === this.#value) return;
    this.#value = kept;
    commit(kept, this.#gesture);
  }

  /** @param {number|null} from */
  #begin(from) {
    this.#before = from;
    this.#gesture = `field/${++gestures}`;
  }

  /** @param {boolean} keep */
  #end(keep) {
    if (!this.#editing) return;
    this.#editing = false;
    const typed = parse(this.#input.value);
    if (keep && typed !== null && this.#input.value !== fixed(this.#value, this.#options.digits)) this.#commit(typed);
    this.#write();
  }

  /** @param {KeyboardEvent} e */
  #key(e) {
    if (e.key === 'Enter') {
      this.#input.blur();
    } else if (e.key === 'Escape') {
      if (this.#before !== null) this.#commit(this.#before);
      this.#end(false);
      this.#input.blur();
    } else if (e.key === 'ArrowUp' || e.key === 'ArrowDown') {
      e.preventDefault();
      const by = this.#options.step * (e.shiftKey ? 10 : 1) * (e.key === 'ArrowUp' ? 1 : -1);
      this.#commit((parse(this.#input.value) ?? this.#value ?? 0) + by);
      this.#write();
      this.#input.select();
    }
  }

  /** @param {PointerEvent} e */
  #drag(e) {
    const from = this.#value;
    if (from === null || this.#input.disabled || this.#input.readOnly || document.activeElement === this.#input) return;
    const { step } = this.#options;
    const start = e.clientX;
    this.#dragged = false;
    this.#begin(from);
    const move = (/** @type {PointerEvent} */ m) => {
      const steps = Math.trunc((m.clientX - start) / DRAG_PX);
      if (!this.#dragged && Math.abs(steps) < 2) return;
      this.#dragged = true;
      this.#commit(from + steps * step);
      this.#write();
    };
    const back = (/** @type {KeyboardEvent} */ k) => {
      if (k.key !== 'Escape' || !this.#dragged) return;
      k.stopPropagation();
      this.#commit(from);
      stop();
    };
    const stop = () => {
      removeEventListener('pointermove', move);
      removeEventListener('pointerup', stop);
      removeEventListener('pointercancel', stop);
      removeEventListener('keydown', back, true);
      if (this.#dragged) {
        this.#editing = false;
        this.#input.blur();
        this.#write();
        // The click that ends a drag is not one that wants to type.
        this.node.addEventListener('click', quiet, { once: true });
        setTimeout(() => this.node.removeEventListener('click', quiet));
      }
      this.#dragged = false;
    };
    addEventListener('pointermove', move);
    addEventListener('pointerup', stop);
    addEventListener('pointercancel', stop);
    addEventListener('keydown', back, true);
  }
}

/** @param {Event} e */
function quiet(e) {
  e.preventDefault();
}
