// @ts-check
// The open show as this page knows it: read again whenever the daemon says that it changed.

import { ask } from '../core/api.js';

/** @typedef {import('../core/types.js').Box} Box */
/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {import('../core/types.js').Take} Take */
/** @typedef {import('../core/types.js').PlanItem} PlanItem */
/** @typedef {import('../core/types.js').Note} Note */
/** @typedef {'loudspeakers'|'seats'|'takes'|'plans'|'notes'} Kind */

const KINDS = /** @type {const} */ (['loudspeakers', 'seats', 'takes', 'plans', 'notes']);
const ONE = { loudspeakers: 'Loudspeaker', seats: 'Seat', takes: 'Take', plans: 'Plan', notes: 'Note' };
const PATH = '/api/v1/show';

export class Shelf {
  /** @type {Box[]} */
  loudspeakers = [];
  /** @type {Seat[]} */
  seats = [];
  /** @type {Take[]} */
  takes = [];
  /** @type {PlanItem[]} */
  plans = [];
  /** @type {Note[]} */
  notes = [];
  /** Read at least once. */
  known = false;
  /** @type {() => void} */
  onChange = () => {};
  #session;
  #notices;
  #reading = false;
  #again = false;
  #closed = false;
  #read = '';
  #off;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#notices = notices;
    this.#off = session.on('show', () => void this.#refresh());
    void this.#refresh();
  }

  close() {
    this.#closed = true;
    this.#off();
  }

  get show() {
    return this.#session.show ?? null;
  }

  /** @param {number} id */
  seatName(id) {
    return this.seats.find((s) => s.id === id)?.name ?? (id ? `seat ${id}` : 'no seat');
  }

  /** @param {number[]} ids */
  playing(ids) {
    return ids.map((id) => this.loudspeakers.find((l) => l.id === id)?.name ?? `loudspeaker ${id}`).join(' + ');
  }

  /** @param {Kind} kind @param {object} item */
  add(kind, item) {
    return this.#notices.guard(ask('POST', `${PATH}/${kind}`, item));
  }

  /** @param {Kind} kind @param {number} id @param {object} patch */
  change(kind, id, patch) {
    return this.#notices.guard(ask('PATCH', `${PATH}/${kind}/${id}`, patch));
  }

  /** A take becomes a trace behind the live one. @param {number} id */
  async layOver(id) {
    const trace = await this.#notices.guard(ask('POST', `${PATH}/traces`, { take: id, name: this.takes.find((t) => t.id === id)?.name }));
    if (trace) this.#notices.say(`${trace.name} is trace ${trace.number} on the Listen page.`);
  }

  /** Nothing asks: it can be taken back. @param {Kind} kind @param {number} id @param {string} name */
  async remove(kind, id, name) {
    const answer = await this.#notices.guard(ask('DELETE', `${PATH}/${kind}/${id}`));
    if (!answer) return;
    this.#notices.say(`${ONE[kind]} ${name} is deleted.`, { label: 'Undo', run: () => void this.#notices.guard(ask('POST', `${PATH}/undo`, { undo: answer.undo })) });
  }

  async #refresh() {
    const { show } = this.#session;
    const key = show ? `${show.file}/${show.revision}` : '';
    if (key === this.#read) return;
    if (this.#reading) {
      this.#again = true;
      return;
    }
    this.#reading = true;
    const lists = show ? await this.#notices.guard(Promise.all(KINDS.map((kind) => ask('GET', `${PATH}/${kind}`)))) : KINDS.map(() => ({}));
    this.#reading = false;
    if (this.#closed) return;
    if (lists) {
      KINDS.forEach((kind, k) => (this[kind] = lists[k][kind] ?? []));
      this.#read = key;
      this.known = true;
      this.onChange();
    }
    if (!this.#again) return;
    this.#again = false;
    void this.#refresh();
  }
}
