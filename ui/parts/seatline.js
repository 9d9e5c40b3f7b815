// @ts-check
// The way through the room: the seat before, the one under the bob, the one after. What is taken at each, and what
// it said.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { running } from '../core/session.js';

/** @typedef {import('../core/types.js').Seat} Seat */

const FROM_HERE = [-3, -2, -1, 1, 2, 3]; // seats on a screen with room; one of each side on a phone

/** @param {number} by */
const place = (by) => `${Math.abs(by) > 1 ? 'far-' : ''}${by < 0 ? 'before' : 'after'}${Math.abs(by) > 1 ? Math.abs(by) : ''}`;

export class SeatLine {
  #which;
  #model;
  #shelf;
  #session;
  #select = el('select', { 'aria-label': 'At which seat are you?', 'data-testid': 'which-seat', onchange: () => this.#go(Number(this.#select.value)) });
  #here = new Row('here', 'This seat', this.#select);
  /** The others, by how far they are from here. @type {Map<number, Row>} */
  #rows;
  #add = el('button', { type: 'button', text: 'New seat', 'data-testid': 'new-seat', operates: 'hide', onclick: () => void this.#new() });
  #plan = el('a', { class: 'link', href: '/align', text: 'See the plan', hidden: true });
  #key = el('p', { class: 'key' });
  #changed;
  node;

  /**
   * @param {import('./whichseat.js').WhichSeat} which @param {import('./alignmodel.js').AlignModel} model
   * @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session
   * @param {() => void} changed another seat was chosen @param {...Node} beside what stands beside the new one
   */
  constructor(which, model, shelf, session, changed, ...beside) {
    this.#which = which;
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.#changed = changed;
    this.#rows = new Map(FROM_HERE.map((by) => [by, new Row(place(by), by < 0 ? 'Seat before' : 'Seat after', el('button', { type: 'button', 'data-testid': `seat-${place(by)}`, onclick: () => this.#go(which.beside(by)?.id ?? 0) }))]));
    const others = (/** @type {number} */ side) => [...this.#rows].filter(([by]) => Math.sign(by) === side).map(([, row]) => row.node);
    this.node = el('section', { class: 'seat-line', 'aria-label': 'Seats' }, el('ol', {}, ...others(-1), this.#here.node, ...others(1)), this.#key, el('div', { class: 'row' }, this.#add, ...beside, this.#plan));
  }

  show() {
    const { here } = this.#which;
    const { seats } = this.#shelf;
    const key = JSON.stringify(seats.map((s) => [s.id, s.name]));
    if (this.#select.dataset.key !== key) {
      this.#select.dataset.key = key;
      this.#select.replaceChildren(...seats.map((s) => el('option', { value: String(s.id), text: s.name })));
    }
    this.#select.value = String(here?.id ?? '');
    const put = (/** @type {Row} */ row, /** @type {Seat|null} */ seat) => row.show(seat, seat ? this.#marks(seat) : [], seat ? this.#said(seat) : ['', '']);
    put(this.#here, here);
    for (const [by, row] of this.#rows) put(row, this.#which.beside(by));
    this.#plan.hidden = !here || !this.#model.answer?.plan || !!this.#which.next || this.#which.lacks(here).length > 0;
    const { main, fill } = this.#model;
    this.#key.hidden = !seats.length || !main;
    say(this.#key, fill ? `dB over the louder one alone; ms after which ${main} arrives` : `ms after which ${main} arrives`);
  }

  /** @param {Seat} seat @returns {Mark[]} */
  #marks(seat) {
    const { survey } = this.#session;
    return this.#which.wanted.map((playing, k) => {
      const sounds = running(survey) && survey?.seat === seat.id && survey.playing.join() === playing.join();
      const taken = this.#shelf.takeOf(seat.id, this.#shelf.idsOf(playing));
      return { name: playing.length > 1 ? 'both' : playing[0], ink: playing.length > 1 ? 'ink' : `k${k}`, glyph: sounds ? '◐' : taken ? '●' : '○', says: sounds ? 'is being measured' : taken ? 'is measured' : 'is missing' };
    });
  }

  /** What the two gain there, and when the main arrives. @param {Seat} seat @returns {[string, string]} */
  #said(seat) {
    const account = this.#model.answer?.seats.find((s) => s.seat === seat.id);
    const take = this.#shelf.takeOf(seat.id, this.#shelf.idsOf([this.#model.main]));
    return [account ? `${signed(account.gain_over_louder_db, 1)} dB` : '', take ? `${fixed(take.delay_ms, 2)} ms` : ''];
  }

  /** @param {number} id */
  #go(id) {
    if (!id) return;
    this.#which.choose(id);
    this.#changed();
  }

  async #new() {
    const seat = await this.#shelf.addSeat();
    if (seat) this.#go(seat.id);
  }
}

/** @typedef {{name: string, ink: string, glyph: string, says: string}} Mark */

class Row {
  #name;
  #marks = el('span', { class: 'marks' });
  #level = el('span', { class: 'level' });
  #time = el('span', { class: 'time' });
  #role;
  node;

  /** @param {string} place @param {string} role @param {HTMLElement} name what leads there, or chooses */
  constructor(place, role, name) {
    this.#name = name;
    this.#role = role;
    this.node = el('li', { class: place.startsWith('far') ? 'far' : place, 'data-testid': `line-${place}` }, el('span', { class: 'bob', 'aria-hidden': 'true' }), name, this.#level, this.#marks, this.#time);
  }

  /** @param {Seat|null} seat @param {Mark[]} marks @param {[string, string]} said */
  show(seat, marks, [level, time]) {
    this.node.hidden = !seat;
    if (this.#name instanceof HTMLButtonElement) {
      say(this.#name, seat?.name ?? '');
      this.#name.setAttribute('aria-label', `${this.#role}: ${seat?.name ?? 'none'}`);
    }
    say(this.#level, level);
    say(this.#time, time);
    const key = JSON.stringify(marks);
    if (this.#marks.dataset.key === key) return;
    this.#marks.dataset.key = key;
    this.#marks.replaceChildren(...marks.map((m) => el('span', { class: m.ink }, el('span', { 'aria-hidden': 'true', class: 'mark', text: m.glyph }), ` ${m.name}`, el('span', { class: 'hidden', text: ` ${m.says}` }))));
  }
}
