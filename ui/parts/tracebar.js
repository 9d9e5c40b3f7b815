// @ts-check
// Store the live trace, show and hide the stored ones, and what is made of them: one row over the plots.

import { el, say } from '../core/dom.js';
import { openSheet } from './sheet.js';
import { swatch } from './swatch.js';
import { MEANS } from './tracecurves.js';
import { TraceList } from './tracelist.js';

/** @typedef {import('../core/types.js').StoredTrace} StoredTrace */

export class TraceBar {
  #store;
  #curves;
  #microphone;
  #list;
  /** @type {Map<number, HTMLButtonElement>} */
  #chips = new Map();
  #row = el('div', { class: 'chips', role: 'group', 'aria-label': 'Stored traces' });
  #minus = el('select', { 'data-testid': 'minus', onchange: () => (this.#curves.minus = this.#store.trace(Number(this.#minus.value))) });
  #mean = el('select', { 'data-testid': 'mean', onchange: () => (this.#curves.mean = /** @type {import('./tracecurves.js').Mean} */ (this.#mean.value)) },
    ...MEANS.map(([value, text]) => el('option', { value, text })));
  #made = el('span', { class: 'made' }, el('label', { class: 'choice' }, el('span', {}, el('span', { class: 'live', text: 'live ' }), 'minus'), this.#minus), el('label', { class: 'choice' }, el('span', { text: 'mean' }), this.#mean));
  #why = el('p', { class: 'why', role: 'status', 'data-testid': 'left-out' });
  #more = el('button', { type: 'button', text: 'Traces', 'data-testid': 'traces', onclick: () => this.open() });
  #target = el('button', { type: 'button', text: 'Target', 'data-testid': 'target', onclick: () => this.openTarget() });
  #says;
  node;

  /**
   * @param {import('./tracestore.js').TraceStore} store @param {import('./tracecurves.js').TraceCurves} curves
   * @param {{microphone: () => number, openTarget: () => void, says: HTMLElement}} options microphone: the one in front
   */
  constructor(store, curves, { microphone, openTarget, says }) {
    this.#store = store;
    this.#curves = curves;
    this.#microphone = microphone;
    this.openTarget = openTarget;
    this.#says = says;
    this.#list = new TraceList(store, curves);
    this.node = el('section', { class: 'traces', 'aria-label': 'Traces' },
      el('button', { type: 'button', class: 'store', text: 'Store trace', 'data-testid': 'store-trace', operates: 'hide', onclick: () => this.storeNow() }),
      this.#row, this.#made, this.#more, this.#target, this.#says, this.#why);
    this.show();
  }

  storeNow() {
    void this.#store.store(this.#microphone());
  }

  /** Shows or hides a trace, for all who look. @param {number} number */
  toggle(number) {
    const trace = this.#store.numbered(number);
    if (trace) void this.#store.change(trace, { shown: !trace.shown });
  }

  /** Live minus the latest that is shown, or the live trace again. */
  toggleMinus() {
    this.#curves.minus = this.#curves.minus ? null : (this.#store.shown.at(-1) ?? this.#store.traces.at(-1) ?? null);
  }

  /** Live minus the next one. */
  nextMinus() {
    const { traces } = this.#store;
    const k = traces.findIndex((t) => t.id === this.#curves.minus?.id);
    this.#curves.minus = traces[(k + 1) % Math.max(1, traces.length)] ?? null;
  }

  nextMean() {
    const k = MEANS.findIndex(([v]) => v === this.#curves.mean);
    this.#curves.mean = MEANS[(k + 1) % MEANS.length][0];
  }

  open() {
    openSheet('Traces', this.#list.node);
  }

  show() {
    const { traces } = this.#store;
    for (const [id, chip] of this.#chips) {
      if (traces.some((t) => t.id === id)) continue;
      chip.remove();
      this.#chips.delete(id);
    }
    traces.forEach((t, k) => {
      let chip = this.#chips.get(t.id);
      if (!chip) {
        chip = el('button', { type: 'button', class: 'trace-chip', operates: 'still', onclick: () => this.#flip(t.id) }, swatch(t), el('b'), el('span', { class: 'word' }));
        this.#chips.set(t.id, chip);
      }
      if (this.#row.children[k] !== chip) this.#row.insertBefore(chip, this.#row.children[k] ?? null);
      chip.dataset.testid = `trace-${t.number}`;
      chip.setAttribute('aria-pressed', String(t.shown));
      chip.setAttribute('aria-label', `${t.shown ? 'Hide' : 'Show'} trace ${t.number}, ${t.name}`);
      chip.title = t.name;
      say(chip.children[1], String(t.number));
      say(chip.children[2], t.name);
    });
    this.node.classList.toggle('many', traces.length > 3); // their names stand beside the plot
    this.#made.hidden = !traces.length;
    this.#more.hidden = !traces.length;
    const key = JSON.stringify(traces.map((t) => [t.id, t.number, t.name]));
    if (this.#minus.dataset.key !== key) {
      this.#minus.dataset.key = key;
      this.#minus.replaceChildren(el('option', { value: '0', text: 'nothing' }), ...traces.map((t) => el('option', { value: String(t.id), text: `${t.number} ${t.name}` })));
    }
    this.#minus.value = String(this.#curves.minus?.id ?? 0);
    this.#mean.value = this.#curves.mean;
    const out = this.#curves.leftOut;
    const few = this.#curves.mean && this.#store.shown.length - out.length < 2 ? 'A mean needs two traces that are shown. ' : '';
    say(this.#why, few + (out.length ? `${out.map((t) => `${t.number} ${t.name}`).join(', ')}: without phase, not in the complex mean. Take the mean of power.` : ''));
    this.#list.show();
  }

  /** @param {number} id */
  #flip(id) {
    const trace = this.#store.trace(id);
    if (trace) void this.#store.change(trace, { shown: !trace.shown });
  }
}
