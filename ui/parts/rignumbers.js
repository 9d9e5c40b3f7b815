// @ts-check
// The rig as numbers: what the plan shows, set exactly; delay, gain, polarity and mute of each loudspeaker.

import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { Field } from './field.js';
import { arrivalMs, distance } from './rigmodel.js';

/** @typedef {import('../core/types.js').Rig} Rig */
/** @typedef {import('../core/types.js').Position} Position */
/** @typedef {import('./rigmodel.js').RigModel} RigModel */

const AXES = /** @type {const} */ (['x', 'y', 'z']);

class Row {
  #kind;
  #name;
  #model;
  #places;
  #delay;
  #gain;
  #flip;
  #mute;
  #heard = el('span', { class: 'heard' });
  node;

  /** @param {'loudspeakers'|'microphones'} kind @param {string} name @param {number} k @param {RigModel} model */
  constructor(kind, name, k, model) {
    this.#kind = kind;
    this.#name = name;
    this.#model = model;
    this.#places = AXES.map((axis, i) => new Field({
      operates: true,
      label: `${name}, ${axis} in metres`, unit: 'm', step: 0.05, least: 0, most: model.scene?.room.size_m[i] ?? 100, digits: 2, testid: `${axis}-${name}`,
      commit: (v, gesture) => {
        const at = /** @type {Position} */ ([...this.#now().position_m]);
        at[i] = v;
        this.#change(`${name} moved`, { position_m: at }, gesture);
      },
    }));
    const places = AXES.map((axis, i) => el('span', { class: 'cell' }, el('span', { class: 'label', text: axis }), this.#places[i].node));
    if (kind === 'microphones') {
      this.node = el('div', { class: `row microphone k${k % 4}`, role: 'group', 'aria-label': `Microphone ${name}` }, el('span', { class: 'name', text: name }), ...places);
      return;
    }
    this.#delay = new Field({ operates: true, label: `Delay of ${name}`, unit: 'ms', step: 0.1, least: 0, most: 1000, digits: 2, testid: `delay-${name}`, commit: (v, gesture) => this.#change(`delay of ${name}`, { delay_ms: v }, gesture) });
    this.#gain = new Field({ operates: true, label: `Gain of ${name}`, unit: 'dB', step: 0.5, least: -80, most: 40, digits: 1, testid: `gain-${name}`, commit: (v, gesture) => this.#change(`gain of ${name}`, { gain_db: v }, gesture) });
    this.#flip = el('button', { type: 'button', 'data-testid': `flip-${name}`, operates: 'still', onclick: () => this.#change(`polarity of ${name}`, { polarity: this.#box().polarity === 'same' ? 'opposite' : 'same' }) });
    this.#mute = el('button', { type: 'button', 'data-testid': `mute-${name}`, operates: 'still', onclick: () => this.#change(`mute of ${name}`, { mute: !this.#box().mute }) });
    this.node = el('div', { class: `row k${k % 4}`, role: 'group', 'aria-label': `Loudspeaker ${name}` }, el('span', { class: 'name', text: name }),
      el('span', { class: 'cell' }, el('span', { class: 'label plain', text: 'delay' }), this.#delay.node),
      el('span', { class: 'cell' }, el('span', { class: 'label plain', text: 'gain' }), this.#gain.node),
      el('span', { class: 'cell' }, this.#flip), el('span', { class: 'cell' }, this.#mute), ...places, this.#heard);
  }

  /** @param {Rig} scene @param {Position|undefined} ear @param {number} speed */
  show(scene, ear, speed) {
    const unit = [...scene[this.#kind]].find((u) => u.name === this.#name);
    if (!unit) return;
    this.#places.forEach((field, i) => field.show(unit.position_m[i]));
    if (!('delay_ms' in unit) || !this.#flip || !this.#mute) return;
    this.#delay?.show(unit.delay_ms);
    this.#gain?.show(unit.gain_db);
    say(this.#flip, unit.polarity === 'opposite' ? 'Opposite polarity' : 'Same polarity');
    this.#flip.setAttribute('aria-pressed', String(unit.polarity === 'opposite'));
    say(this.#mute, unit.mute ? 'Muted' : 'Playing');
    this.#mute.setAttribute('aria-pressed', String(unit.mute));
    this.node.classList.toggle('muted', unit.mute);
    say(this.#heard, unit.mute || !ear ? '' : `arrives at ${fixed(arrivalMs(unit, ear, speed), 2)} ms over ${fixed(distance(unit.position_m, ear), 2)} m`);
  }

  #now() {
    return /** @type {{position_m: Position}} */ ([...(this.#model.scene?.[this.#kind] ?? [])].find((u) => u.name === this.#name));
  }

  #box() {
    return /** @type {import('../core/types.js').Loudspeaker} */ (/** @type {unknown} */ (this.#now()));
  }

  /** @param {string} what @param {object} values @param {string} [gesture] */
  #change(what, values, gesture) {
    this.#model.change(what, { [this.#kind]: { [this.#name]: values } }, gesture);
  }
}

export class RigNumbers {
  #model;
  /** @type {Row[]} */
  #rows = [];
  #key = '';
  #list = el('div', { class: 'rows' });
  #seats = el('div', { class: 'seats' });
  #temperature;
  #speed = el('span');
  #undo;
  node;

  /** @param {RigModel} model */
  constructor(model) {
    this.#model = model;
    this.#temperature = new Field({ operates: true, label: 'Temperature of the air', unit: '°C', step: 0.5, least: -30, most: 50, digits: 1, testid: 'temperature', commit: (v, gesture) => model.change('temperature', { temperature_c: v }, gesture) });
    this.#undo = el('button', { type: 'button', text: 'Undo', disabled: true, 'data-testid': 'undo', operates: 'hide', onclick: () => model.undo() });
    this.node = el('section', { class: 'rig-numbers', 'aria-label': 'The rig as numbers' },
      this.#list, this.#seats, el('div', { class: 'air' }, el('span', { class: 'label', text: 'Air' }), this.#temperature.node, this.#speed, this.#undo));
  }

  /** @param {Rig} scene @param {Position|undefined} ear @param {number} speed */
  show(scene, ear, speed) {
    const key = [...scene.loudspeakers, ...scene.microphones].map((u) => u.name).join('/');
    if (key !== this.#key) {
      this.#key = key;
      const boxes = scene.loudspeakers.map((l, k) => new Row('loudspeakers', l.name, k, this.#model));
      const seats = scene.microphones.map((m, k) => new Row('microphones', m.name, k, this.#model));
      this.#rows = [...boxes, ...seats];
      this.#list.replaceChildren(...boxes.map((r) => r.node));
      this.#seats.replaceChildren(...seats.map((r) => r.node));
    }
    for (const row of this.#rows) row.show(scene, ear, speed);
    this.#temperature.show(scene.temperature_c);
    say(this.#speed, `sound travels ${fixed(speed, 1)} m a second`);
    this.#undo.disabled = !this.#model.canUndo;
  }
}
