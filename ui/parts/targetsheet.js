// @ts-check
// The target: drawn on the plot or read from text, its tolerance and level, and which of several is in use.

import { el, say } from '../core/dom.js';
import { Field } from './field.js';
import { openSheet } from './sheet.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').Target} Target */

export class TargetSheet {
  #store;
  #fit;
  #draw;
  /** @type {HTMLDialogElement|null} */
  #dialog = null;
  #which = el('select', { 'data-testid': 'which-target', operates: 'still', onchange: () => this.#choose(Number(this.#which.value)) });
  #name;
  #tolerance;
  #offset;
  #facts = el('small');
  #file = el('input', { type: 'file', accept: '.csv,.txt,.tsv', hidden: true, 'data-testid': 'target-file', onchange: () => void this.#import(this.#file.files?.[0]) });
  #text = el('textarea', { rows: 4, 'data-testid': 'target-text', 'aria-label': 'Frequency and level, one pair a line', placeholder: '20 6\n1000 0\n16000 -3' });
  #own;
  node;

  /** @param {import('./tracestore.js').TraceStore} store @param {{fit: (target?: Target) => void, draw: () => void}} options fit: lays it where the live trace is; draw: points on the plot */
  constructor(store, { fit, draw }) {
    this.#store = store;
    this.#fit = fit;
    this.#draw = () => {
      this.#dialog?.close();
      draw();
    };
    const change = (/** @type {Partial<Target>} */ patch) => {
      const { target } = store;
      if (target) void store.changeTarget(target, patch);
    };
    this.#name = new TextField({ label: 'Name of the target', testid: 'target-name', commit: (name) => change({ name }) });
    this.#tolerance = new Field({ label: 'Tolerance', unit: 'dB', step: 0.5, least: 0.1, most: 40, digits: 1, testid: 'target-tolerance', operates: true, commit: (v) => change({ tolerance_db: v }) });
    this.#offset = new Field({ label: 'Offset of the target', unit: 'dB', step: 0.5, least: -200, most: 200, digits: 1, testid: 'target-offset', operates: true, commit: (v) => change({ offset_db: v }) });
    const button = (/** @type {string} */ text, /** @type {string} */ testid, /** @type {() => void} */ run) => el('button', { type: 'button', text, 'data-testid': testid, operates: 'hide', onclick: run });
    this.#own = el('div', { class: 'own' },
      el('div', { class: 'choice' }, el('span', { text: 'name' }), this.#name.node), el('div', { class: 'choice' }, el('span', { text: 'tolerance ±' }), this.#tolerance.node),
      el('div', { class: 'choice' }, el('span', { text: 'offset' }), this.#offset.node, button('Fit to the live trace', 'target-fit', () => this.#fit())), this.#facts,
      el('p', { class: 'acts' }, button('Move its points', 'target-redraw', () => this.#draw()), button('Delete', 'target-delete', () => store.target && void store.removeTarget(store.target))));
    this.node = el('div', { class: 'target-sheet' }, el('label', { class: 'choice' }, el('span', { text: 'in use' }), this.#which), this.#own,
      el('h3', { text: 'A new one', operates: 'hide' }), el('p', { class: 'acts' }, button('Draw on the plot', 'target-draw', () => this.#new()), button('Import a file', 'target-import', () => this.#file.click()), this.#file),
      el('p', { operates: 'hide' }, this.#text), el('p', { class: 'acts' }, button('Use this text', 'target-use', () => void this.#import(new File([this.#text.value], 'Target')))),
      el('p', { class: 'remark', text: 'Between its points a target is straight in dB over log frequency; beyond them there is none.' }));
    this.show();
  }

  open() {
    this.#dialog = openSheet('Target', this.node);
  }

  show() {
    const { targets, target } = this.#store;
    const key = JSON.stringify(targets.map((t) => [t.id, t.name]));
    if (this.#which.dataset.key !== key) {
      this.#which.dataset.key = key;
      this.#which.replaceChildren(el('option', { value: '0', text: 'none' }), ...targets.map((t) => el('option', { value: String(t.id), text: t.name })));
    }
    this.#which.value = String(target?.id ?? 0);
    this.#own.hidden = !target;
    if (!target) return;
    this.#name.show(target.name);
    this.#tolerance.show(target.tolerance_db);
    this.#offset.show(target.offset_db);
    say(this.#facts, `${target.points.length} ${target.points.length === 1 ? 'point' : 'points'}`);
  }

  /** Shown or not; a target that was in use before comes back. */
  toggle() {
    const target = this.#store.target ?? this.#store.targets.at(-1);
    if (target) void this.#store.changeTarget(target, { shown: !target.shown });
    else this.open();
  }

  /** @param {number} id 0 for none */
  #choose(id) {
    const now = this.#store.target;
    const next = this.#store.targets.find((t) => t.id === id);
    if (next) void this.#store.changeTarget(next, { shown: true });
    else if (now) void this.#store.changeTarget(now, { shown: false });
  }

  /** The first point makes it. */
  #new() {
    const now = this.#store.target;
    if (now) void this.#store.changeTarget(now, { shown: false });
    this.#draw();
  }

  /** @param {File|undefined} file */
  async #import(file) {
    if (!file) return;
    const added = await this.#store.importTarget(file.name.replace(/\.[^.]*$/, ''), file);
    this.#file.value = '';
    if (!added) return;
    this.#text.value = '';
    this.#fit(added);
  }
}
