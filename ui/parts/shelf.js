// @ts-check
// The open show as this page knows it: read again whenever the daemon says that it changed.

import { ask, refusal } from '../core/api.js';

/** @typedef {import('../core/types.js').Box} Box */
/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {import('../core/types.js').Take} Take */
/** @typedef {import('../core/types.js').PlanItem} PlanItem */
/** @typedef {import('../core/types.js').Note} Note */
/** @typedef {'loudspeakers'|'seats'|'takes'|'plans'|'notes'} Kind */

const KINDS = /** @type {const} */ (['loudspeakers', 'seats', 'takes', 'plans', 'notes']);
const ONE = { loudspeakers: 'Loudspeaker', seats: 'Seat', takes: 'Take', plans: 'Plan', notes: 'Note' };
const PATH = '/api/v1/show';
const RETRY_MS = 2000;

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

  /** @param {string[]} names of loudspeakers; 0 for one that is not in the show */
  idsOf(names) {
    return names.map((name) => this.loudspeakers.find((l) => l.name === name)?.id ?? 0);
  }

  /** The newest take of what plays at a seat, as measured to find a plan and not to prove one. @param {number} seat @param {number[]} ids of the loudspeakers */
  takeOf(seat, ids) {
    return this.takes.filter((t) => t.seat === seat && t.loudspeakers.length === ids.length && t.loudspeakers.every((id) => ids.includes(id)) && !t.settings?.plan).at(-1) ?? null;
  }

  /** The next seat after one, round the room, where something was not taken yet. @param {string[][]} wanted @param {number} after */
  nextLacking(wanted, after) {
    const k = this.seats.findIndex((s) => s.id === after);
    return [...this.seats.slice(k + 1), ...this.seats.slice(0, Math.max(0, k))].find((s) => wanted.some((playing) => !this.takeOf(s.id, this.idsOf(playing)))) ?? null;
  }

  /** Stores what is heard now as a take of what plays. @param {Seat} seat @param {string[]} playing @param {number} microphone @param {boolean} [force] */
  async take(seat, playing, microphone, force = false) {
    try {
      await ask('POST', `${PATH}/takes`, { seat: seat.id, playing, microphone, name: playing.join(' + '), force });
      this.#notices.say(`Stored: ${playing.join(' + ')} at ${seat.name}.`);
    } catch (error) {
      const unsure = refusal(error) === 'unsure'; // nothing else can be forced
      this.#notices.say(error instanceof Error ? error.message : String(error), force || !unsure ? undefined : { label: 'Store it anyway', run: () => void this.take(seat, playing, microphone, true) });
    }
  }

  /** Where nobody has been yet, under the next number. @returns {Promise<Seat|null>} */
  addSeat() {
    let n = this.seats.length + 1;
    while (this.seats.some((s) => s.name === `seat ${n}`)) n++;
    return this.add('seats', { name: `seat ${n}` });
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
    let lists = null;
    try {
      lists = show ? await Promise.all(KINDS.map((kind) => ask('GET', `${PATH}/${kind}`))) : KINDS.map(() => ({}));
    } catch (error) {
      if (refusal(error)) this.#notices.say(error instanceof Error ? error.message : String(error));
      else setTimeout(() => this.#closed || void this.#refresh(), RETRY_MS); // nobody answered; what was read stays
    }
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
