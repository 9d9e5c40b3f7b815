// @ts-check
// The steps in the order one takes them: each has a tick, or a sentence that says what to do and a hand to do it with.

import { el, say } from '../core/dom.js';
import { glyph } from '../core/marks.js';
import { openCalibrator } from './calibrator.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/types.js').SetupCheck} SetupCheck */
/** @typedef {import('./setupmodel.js').SetupModel} SetupModel */

const NAMES = { device: 'Device', reference: 'Reference', loopback: 'Loopback', microphone: 'Microphone', level: 'Level', clipping: 'Clipping', calibration: 'Calibration' };

export class SetupSteps {
  #model;
  #session;
  #notices;
  /** @type {Map<string, {node: HTMLElement, mark: HTMLElement, text: HTMLElement}>} */
  #rows = new Map();
  #list = el('ol', { class: 'steps' });
  #play = el('button', { type: 'button', class: 'go', text: 'Play and listen', 'data-testid': 'loopback-play', operates: 'hide', onclick: () => this.#model.loopback() });
  #caution = el('small', { class: 'caution' });
  #swap = el('button', { type: 'button', 'data-testid': 'loopback-swap', operates: 'hide', hidden: true });
  #loopback = el('p', { class: 'row', hidden: true }, this.#play, this.#swap, this.#caution);
  #calibrate = el('p', { class: 'row', hidden: true });
  node = el('section', { class: 'setup-steps', 'aria-label': 'Steps' }, el('h2', { text: 'Does it work?' }), this.#list);

  /** @param {SetupModel} model @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(model, session, notices) {
    this.#model = model;
    this.#session = session;
    this.#notices = notices;
    this.#swap.addEventListener('click', () => {
      const input = model.setup?.loopback?.input;
      if (input) model.assign(input, 'reference');
    });
  }

  draw() {
    const { setup, busy } = this.#model;
    if (!setup) return;
    for (const check of setup.checks) this.#step(check);
    const source = setup.source;
    const still = !!busy || setup.state === 'changing';
    this.#loopback.hidden = !source?.loopback_output;
    this.#play.disabled = this.#swap.disabled = still;
    say(this.#caution, `Plays pink noise at −30 dBFS for 4 s on output ${source?.loopback_output ?? ''} and no other: nothing but the cable may hang on it, no amplifier and no headphones. Pause the programme meanwhile.`);
    const found = setup.loopback?.input ?? 0;
    this.#swap.hidden = !found || found === source?.reference;
    say(this.#swap, `Make input ${found} the reference`);
    this.#calibrators(setup.source ? setup.source.microphones : []);
  }

  /** @param {SetupCheck} check */
  #step(check) {
    let row = this.#rows.get(check.name);
    if (!row) {
      const mark = el('span', { class: 'glyph', 'aria-hidden': 'true' });
      const text = el('p', { class: 'says', 'data-testid': `step-${check.name}` });
      const own = check.name === 'loopback' ? this.#loopback : check.name === 'calibration' ? this.#calibrate : null;
      const node = el('li', {}, mark, el('div', {}, explain(el('h3'), NAMES[check.name], 'reference'), text, own));
      this.#rows.set(check.name, (row = { node, mark, text }));
      this.#list.append(node);
    }
    say(row.mark, glyph(check.mark, check.certainty));
    say(row.text, check.text);
    row.node.dataset.mark = check.mark === 'steady' && check.certainty === 'cannot tell' ? 'wait' : check.mark;
    row.node.setAttribute('aria-label', `${NAMES[check.name]}: ${row.node.dataset.mark === 'steady' ? 'done' : row.node.dataset.mark === 'wait' ? 'waits' : check.mark}`);
  }

  /** @param {number[]} microphones */
  #calibrators(microphones) {
    const key = JSON.stringify(microphones.map((m) => this.#session.channelName(m)));
    this.#calibrate.hidden = !microphones.length;
    if (this.#calibrate.dataset.key === key) return;
    this.#calibrate.dataset.key = key;
    this.#calibrate.replaceChildren(...microphones.map((m) => el('button', {
      operates: 'hide',
      type: 'button', text: microphones.length > 1 ? `Calibrate ${this.#session.channelName(m)}` : 'Calibrate', 'data-testid': `calibrate-${m}`,
      onclick: () => openCalibrator(this.#session, m, this.#notices),
    })));
  }
}
