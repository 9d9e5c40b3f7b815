// @ts-check
// At which seat is the hand: the one that was chosen here, else the one where somebody measures, else the next
// that lacks a take.

import * as address from '../core/address.js';
import { viewing } from '../core/role.js';
import { RUNNING, running } from '../core/session.js';

/** @typedef {import('../core/types.js').Seat} Seat */

export class WhichSeat {
  #shelf;
  #session;
  #model;
  #chosen = address.number('seat', 0);
  #before = '';

  /** @param {import('./alignmodel.js').AlignModel} model whose pair is measured @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session */
  constructor(model, shelf, session) {
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
  }

  /** What is to be taken at each seat, as names of loudspeakers. @returns {string[][]} */
  get wanted() {
    const { main, fill } = this.#model;
    return main && fill ? [[main], [fill], [main, fill]] : main ? [[main]] : [];
  }

  /** What of it is missing at a seat. @param {Seat} seat */
  lacks(seat) {
    return this.wanted.filter((playing) => !this.#shelf.takeOf(seat.id, this.#shelf.idsOf(playing)));
  }

  /** @returns {Seat|null} */
  get here() {
    const { seats } = this.#shelf;
    const { survey } = this.#session;
    const at = (/** @type {number|undefined} */ id) => seats.find((s) => s.id === id);
    const chosen = at(this.#chosen);
    if (chosen) return chosen;
    const sounded = survey && survey.state !== 'idle' ? at(survey.seat) : undefined;
    if (sounded && survey?.state !== 'done') return sounded;
    if (sounded) return this.#shelf.nextLacking(this.wanted, sounded.id) ?? sounded;
    return this.#shelf.nextLacking(this.wanted, 0) ?? seats[0] ?? null;
  }

  /** A neighbour, in the order of the table. @param {number} by 1 is the next one, -1 the one before @returns {Seat|null} */
  beside(by) {
    const { seats } = this.#shelf;
    const k = seats.findIndex((s) => s.id === this.here?.id);
    return k < 0 ? null : (seats[k + by] ?? null);
  }

  /** Where to go from here. @returns {Seat|null} */
  get next() {
    return this.#shelf.nextLacking(this.wanted, this.here?.id ?? 0);
  }

  /** Where the newest survey was, if it is the last that was found. @returns {Seat|null} */
  get found() {
    const { survey } = this.#session;
    return survey?.state === 'done' && survey.purpose === 'survey' ? (this.#shelf.seats.find((s) => s.id === survey.seat) ?? null) : null;
  }

  /** @param {number} id 0: none, it follows */
  choose(id) {
    this.#chosen = id;
    address.set('seat', id || null);
  }

  /** A survey went on: who began it walks to the next seat when it is done, who looks on goes where it is. */
  follow() {
    const { survey, client } = this.#session;
    const before = this.#before;
    this.#before = survey?.state ?? '';
    if (!survey) return;
    const begun = running(survey) && !RUNNING.includes(before);
    const done = RUNNING.includes(before) && survey.state === 'done' && survey.by === client;
    if ((begun && viewing()) || done) this.choose(0);
  }
}
