// @ts-check
// What a survey is to reach, and how loud it plays: numbers that are set in place.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { Field } from './field.js';

const START_DBFS = -40;
const CAP_DBFS = -20;

/** @typedef {{within_db: number, low_hz: number, high_hz: number, level_dbfs: number}} Values edges of 0: what each loudspeaker plays */

export class Goal {
  /** @type {Values} */
  values = { within_db: 1, low_hz: 0, high_hz: 0, level_dbfs: CAP_DBFS };
  #fields;
  #plays;
  node;

  /** @param {() => void} changed */
  constructor(changed) {
    const field = (/** @type {keyof Values} */ key, /** @type {Omit<import('./field.js').FieldOptions, 'commit'>} */ options) => new Field({ ...options, commit: (v) => {
      this.values[key] = v;
      changed();
    } });
    this.#fields = {
      within_db: field('within_db', { label: 'Interval to reach', unit: 'dB', step: 0.1, least: 0.2, most: 6, digits: 1, testid: 'survey-within' }),
      low_hz: field('low_hz', { label: 'Sure from', step: 10, least: 20, most: 10000, digits: 0, testid: 'survey-low' }),
      high_hz: field('high_hz', { label: 'Sure up to', unit: 'Hz', step: 100, least: 40, most: 20000, digits: 0, testid: 'survey-high' }),
      level_dbfs: field('level_dbfs', { label: 'Level of the test signal, RMS', unit: 'dBFS', step: 1, least: -60, most: -6, digits: 0, testid: 'survey-level' }),
    };
    this.#plays = el('button', { type: 'button', text: 'what each plays', 'data-testid': 'survey-plays', operates: 'hide', onclick: () => {
      this.values.low_hz = this.values.high_hz = 0;
      changed();
    } });
    const word = (/** @type {string} */ text) => el('span', { class: 'word', text });
    this.node = el('div', { class: 'goal' },
      el('span', { class: 'choice' }, word('until ±'), this.#fields.within_db.node),
      el('span', { class: 'choice' }, word('from'), this.#fields.low_hz.node, word('to'), this.#fields.high_hz.node, this.#plays),
      el('span', { class: 'choice' }, word('at'), this.#fields.level_dbfs.node));
  }

  show() {
    for (const [key, f] of Object.entries(this.#fields)) f.show(this.values[/** @type {keyof Values} */ (key)] || null);
    this.#plays.setAttribute('aria-pressed', String(!this.values.low_hz && !this.values.high_hz));
  }

  /** As a request has it. */
  get request() {
    const { level_dbfs: level, ...goal } = this.values;
    return { ...goal, level_dbfs: level, ...(level > CAP_DBFS ? { cap_dbfs: level } : {}) };
  }

  /** The least of it that one has to know. */
  get inShort() {
    return `±${fixed(this.values.within_db, 1)} dB, ${fixed(this.values.level_dbfs, 0)} dBFS`;
  }

  /** What stands on whatever starts the sound. */
  get caution() {
    const { level_dbfs: level } = this.values;
    return level <= START_DBFS ? `Rises from silence to ${signed(level, 0)} dBFS. Keep ears and people away from the boxes.`
      : `Starts at ${signed(START_DBFS, 0)} dBFS and rises in 3 s to ${signed(level, 0)}. Keep ears and people away from the boxes.`;
  }
}
