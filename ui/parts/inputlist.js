// @ts-check
// What hangs on each input, what it is measured as, and what is heard there now.

import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').SetupInput} SetupInput */
/** @typedef {import('./setupmodel.js').SetupModel} SetupModel */
/** @typedef {'reference'|'microphone'|'none'} Role */

const FLOOR_DB = -72;
const MOST = 33; // a reference and the microphones
const ROLES = /** @type {const} */ ([['reference', 'Reference'], ['microphone', 'Microphone'], ['none', 'Not measured']]);

/** @param {number|null} db */
const part = (db) => Math.min(1, Math.max(0, 1 - (db ?? -Infinity) / FLOOR_DB));

class Row {
  #role;
  #name;
  #fixed = el('span', { class: 'fixed' });
  #bar = el('span', { class: 'rms' });
  #tick = el('span', { class: 'peak' });
  #level = el('span', { class: 'level' });
  #clip = el('span', { class: 'clip', text: '◆ clipped', hidden: true });
  node;

  /** @param {SetupModel} model @param {number} channel */
  constructor(model, channel) {
    this.#role = el('select', {
      'aria-label': `What input ${channel} is`, 'data-testid': `role-${channel}`, operates: 'still',
      onchange: () => model.assign(channel, /** @type {Role} */ (this.#role.value)),
    }, ...ROLES.map(([value, text]) => el('option', { value, text })));
    this.#name = new TextField({ label: `What hangs on input ${channel}`, placeholder: 'what hangs here', empty: true, most: 40, testid: `name-${channel}`, commit: (text) => model.name(channel, text) });
    this.node = el('li', { 'data-channel': channel }, el('span', { class: 'number', text: String(channel) }), this.#role, this.#name.node, this.#fixed,
      el('div', { class: 'scale', 'aria-hidden': 'true' }, this.#bar, this.#tick), this.#level, this.#clip);
  }

  /** @param {SetupInput|undefined} input @param {Role} role @param {string|null} name null: it cannot be set @param {boolean} still */
  draw(input, role, name, still) {
    if (this.#role.value !== role) this.#role.value = role;
    this.#role.disabled = still || name === null;
    this.node.dataset.role = role;
    this.#name.node.hidden = name === null;
    this.#fixed.hidden = name !== null;
    if (name === null) say(this.#fixed, input?.name ?? '');
    else this.#name.show(name);
    this.#bar.style.transform = `scaleX(${part(input?.rms_dbfs ?? null)})`;
    this.#tick.style.transform = `translateX(${part(input?.peak_dbfs ?? null) * 100}%)`;
    say(this.#level, !input ? 'not heard' : (input.rms_dbfs ?? 0) <= -120 ? 'silent' : `${fixed(input.rms_dbfs, 0)} / ${fixed(input.peak_dbfs, 0)}`);
    this.#clip.hidden = !input?.clipped_samples;
  }
}

export class InputList {
  #model;
  #session;
  /** @type {Row[]} */
  #rows = [];
  #all = false;
  #list = el('ul', { class: 'inputs' });
  #more = el('button', { type: 'button', hidden: true, 'data-testid': 'more-inputs', onclick: () => {
    this.#all = true;
    this.draw();
  } });
  node = el('section', { class: 'setup-inputs', 'aria-label': 'Inputs' },
    el('h2', {}, 'Inputs', el('small', { text: ' rms / peak, dBFS' })), this.#list, this.#more);

  /** @param {SetupModel} model @param {import('../core/session.js').Session} session */
  constructor(model, session) {
    this.#model = model;
    this.#session = session;
  }

  draw() {
    const { setup, device, busy } = this.#model;
    const settings = this.#session.state?.settings;
    if (!setup || !settings) return;
    const heard = setup.inputs.length;
    this.node.hidden = heard === 0;
    const there = setup.source ? Math.min(MOST, Math.max(heard, device?.inputs ?? 0)) : heard;
    const count = this.#all ? there : heard;
    if (this.#rows.length !== count) {
      while (this.#rows.length < count) this.#rows.push(new Row(this.#model, this.#rows.length + 1));
      this.#rows.length = count;
      this.#list.replaceChildren(...this.#rows.map((r) => r.node));
    }
    this.#more.hidden = count === there;
    say(this.#more, `Inputs ${heard + 1} to ${there}`);
    const chosen = setup.source ?? settings;
    const still = !!busy || setup.state === 'changing';
    this.#rows.forEach((row, k) => {
      const role = k + 1 === chosen.reference ? 'reference' : chosen.microphones.includes(k + 1) ? 'microphone' : 'none';
      row.draw(setup.inputs[k], role, setup.source ? (setup.source.names[k] ?? '') : null, still);
    });
  }
}
