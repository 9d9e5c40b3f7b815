// @ts-check
// Two loudspeakers of the show, what the takes say of them, and the setting under the hand. Everything the Align
// page shows follows from here.

import * as address from '../core/address.js';
import { ask, refusal } from '../core/api.js';
import { aimOf, efficiency, level, prepare, settingOf } from '../core/phasor.js';
import { changes } from './dials.js';

/** @typedef {import('../core/types.js').Align} Align */
/** @typedef {import('../core/types.js').AlignSeat} AlignSeat */
/** @typedef {import('../core/types.js').PlanObject} PlanObject */
/** @typedef {import('../core/types.js').Dial} Dial */
/** @typedef {import('../core/types.js').StoredPlan} StoredPlan */
/** @typedef {import('../core/types.js').Verification} Verification */
/** @typedef {import('../core/phasor.js').Setting} Setting */

/** @type {Setting} */
export const TODAY = Object.freeze({ delayMs: 0, sign: 1, gainDB: 0 });
export const SPREAD_CM = 10; // standard deviation along each axis, unless it is set
export const MOST_SPREAD_CM = 50;
const NEAR_MS = 0.01; // what a rig set so shows as the same number
const NEAR_DB = 0.05;
const RETRY_MS = 2000;

/** A setting that was under the hand when the address was kept: 1.25_-1_0 is 1.25 ms, turned over, no gain. @returns {Setting} */
function tried() {
  const [delayMs, sign, gainDB] = address.text('try', '').split('_').map(Number);
  return { delayMs: delayMs || 0, sign: sign < 0 ? -1 : 1, gainDB: gainDB || 0 };
}

export class AlignModel {
  /** @type {Align|null} */
  answer = null;
  /** The daemon has answered, or there is nothing to ask. */
  settled = false;
  /** The hand has left the plan. */
  moved = address.text('try', '') !== '';
  /** @type {Setting} */
  setting = tried();
  /** Efficiencies of the seats under the setting, dB. */
  now = new Float64Array(0);
  nowAim = NaN;
  /** Level of the sum over the louder one where heads are, of the seats today and under the setting, dB. */
  levels = { today: new Float64Array(0), now: new Float64Array(0) };
  aim = /** @type {'mean'|'worst'} */ (address.text('aim', 'mean') === 'worst' ? 'worst' : 'mean');
  gain = address.text('gain', '') === '1';
  band = address.range('band');
  /** How far heads are about the microphone, cm. */
  spreadCM = Math.min(MOST_SPREAD_CM, Math.max(0, address.number('spread', SPREAD_CM)));
  /** What changed: the answer, or only the setting. @type {(what: 'answer'|'setting') => void} */
  onChange = () => {};
  /** @type {import('../core/phasor.js').Cells[]} */
  cells = [];
  #shelf;
  #session;
  #notices;
  #main = address.text('main', '');
  #fill = address.text('fill', '');
  #seat = address.number('seat', 0);
  #asked = '';
  #asking = false;
  #closed = false;

  /** @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(shelf, session, notices) {
    this.#session = session;
    this.#shelf = shelf;
    this.#notices = notices;
  }

  close() {
    this.#closed = true;
  }

  /** The loudspeaker that stays, by its role or the first. */
  get main() {
    const { loudspeakers } = this.#shelf;
    return (loudspeakers.find((l) => l.name === this.#main) ?? loudspeakers.find((l) => l.role === 'main') ?? loudspeakers[0])?.name ?? '';
  }

  get fill() {
    const others = this.#shelf.loudspeakers.filter((l) => l.name !== this.main);
    return (others.find((l) => l.name === this.#fill) ?? others[0])?.name ?? '';
  }

  /** @param {string} main @param {string} fill */
  setPair(main, fill) {
    this.#main = main;
    this.#fill = fill;
    this.moved = false; // what was tried was for the other pair
    address.set('try', null);
    address.set('main', main);
    address.set('fill', fill);
    void this.ask();
  }

  /** @param {{aim?: 'mean'|'worst', gain?: boolean, band?: [number, number]|null, spreadCM?: number}} how */
  setHow({ aim = this.aim, gain = this.gain, band = this.band, spreadCM = this.spreadCM }) {
    this.spreadCM = spreadCM;
    address.set('spread', spreadCM === SPREAD_CM ? null : spreadCM);
    this.aim = aim;
    this.gain = gain;
    this.band = band;
    address.set('aim', aim === 'mean' ? null : aim);
    address.set('gain', gain ? 1 : null);
    address.set('band', band);
    void this.ask();
  }

  /** The seat that is looked at: the chosen one, or the worst. */
  get seat() {
    const { seats } = this.#shelf;
    return seats.find((s) => s.id === this.#seat) ?? seats.find((s) => s.id === this.worst?.seat) ?? seats[0] ?? null;
  }

  /** @param {number} id */
  setSeat(id) {
    this.#seat = id;
    address.set('seat', id);
    this.onChange('answer');
  }

  /** The account of the seat that is looked at, if it has one. */
  get account() {
    return this.answer?.seats.find((s) => s.seat === this.seat?.id) ?? null;
  }

  /** Where the sum gains least today. @returns {AlignSeat|null} */
  get worst() {
    return this.answer?.seats[least(this.levels.today)] ?? null;
  }

  /** Where least of the ideal arrives under the setting; -1 for nowhere. */
  get lowestNow() {
    return least(this.now);
  }

  /** Where it gains least under the setting; -1 for nowhere. */
  get worstNow() {
    return least(this.levels.now);
  }

  /** @returns {Setting} */
  get plan() {
    return this.answer?.plan ? settingOf(this.answer.plan) : TODAY;
  }

  /** The newest stored plan of this pair. @returns {StoredPlan|null} */
  get stored() {
    const mine = this.#shelf.plans.filter((p) => p.body?.main === this.main && p.body?.fill === this.fill && p.body?.plan);
    const last = mine.at(-1);
    return last ? { ...last.body, id: last.id, name: last.name } : null;
  }

  /** Is what the stored plan says set? A virtual rig is asked itself. @param {import('../core/types.js').Rig|null} rig */
  dialled(rig) {
    const { stored } = this;
    if (!stored) return false;
    if (!rig) return stored.dialled;
    return stored.settings.every((c) => rig.loudspeakers.some((l) => l.name === c.loudspeaker && l.polarity === c.to.polarity
      && Math.abs(l.delay_ms - c.to.delay_ms) < NEAR_MS && Math.abs(l.gain_db - c.to.gain_db) < NEAR_DB));
  }

  /** The stored plan sets what the setting that is shown does, whatever is dialled in by now. */
  get isStored() {
    const { stored, answer } = this;
    if (!stored || !answer?.plan) return false;
    const to = changes(answer, this.setting);
    const same = (/** @type {Dial|undefined} */ a, /** @type {Dial|undefined} */ b) => !!a && !!b && a.polarity === b.polarity
      && Math.abs(a.delay_ms - b.delay_ms) < NEAR_MS && Math.abs(a.gain_db - b.gain_db) < NEAR_DB;
    const [of] = stored.settings.filter((c) => c.loudspeaker === answer.fill);
    const main = stored.settings.find((c) => c.loudspeaker === answer.main)?.to;
    const [fill, waits] = to;
    return same(of?.to, fill.to) && (waits ? same(main, waits.to) : !main || same(main, this.#mainNow(main)));
  }

  /** What the main is set to, as far as the answer says. @param {Dial} otherwise @returns {Dial} */
  #mainNow(otherwise) {
    return this.answer?.settings.find((c) => c.loudspeaker === this.answer?.main)?.from ?? otherwise;
  }

  /** @param {Partial<Setting>} change */
  set(change) {
    this.setting = { ...this.setting, ...change };
    this.moved = true;
    address.set('try', `${this.setting.delayMs}_${this.setting.sign}_${this.setting.gainDB}`);
    this.#compute();
    this.onChange('setting');
  }

  backToPlan() {
    this.setting = this.plan;
    this.moved = false;
    address.set('try', null);
    this.#compute();
    this.onChange('setting');
  }

  #compute() {
    if (this.now.length !== this.cells.length) {
      this.now = new Float64Array(this.cells.length);
      this.levels.now = new Float64Array(this.cells.length);
    }
    this.cells.forEach((c, k) => {
      this.now[k] = efficiency(c, this.setting);
      this.levels.now[k] = level(c, this.setting);
    });
    this.nowAim = this.cells.length ? aimOf(this.now, this.aim) : NaN;
  }

  /** Asks the daemon anew if anything that it answers from has changed. */
  async ask() {
    const { main, fill } = this;
    const { takes, seats, plans } = this.#shelf;
    const query = new URLSearchParams({ main, fill, aim: this.aim, spread_m: String(this.spreadCM / 100) });
    if (this.band) {
      query.set('low_hz', String(this.band[0]));
      query.set('high_hz', String(this.band[1]));
    }
    if (this.gain) query.set('gain', '1');
    // What is dialled in is today, and the plans of other pairs count.
    const others = plans.map((p) => [p.id, p.body?.fill === fill && p.body?.main === main ? p.body?.dialled : p.id]);
    const rig = this.#session.rig?.loudspeakers.map((l) => [l.name, l.delay_ms, l.polarity, l.gain_db, ...l.position_m]);
    const key = JSON.stringify([String(query), takes.map((t) => [t.id, t.seat, t.loudspeakers, t.correction]), seats.map((s) => [s.id, s.name, s.position_m]), others.filter(([id, what]) => what !== undefined && what !== false), rig]);
    if (key === this.#asked) {
      this.onChange('answer');
      return;
    }
    if (this.#asking) return; // asked again when the answer is here
    this.#asked = key;
    this.#asking = true;
    let answer = null;
    try {
      if (main && fill && this.#shelf.show) answer = await ask('GET', `/api/v1/align?${query}`);
    } catch (error) {
      if (!refusal(error)) {
        this.#retry(); // what was answered before stays
        return;
      }
      this.#notices.say(error instanceof Error ? error.message : String(error));
    }
    this.#asking = false;
    if (this.#closed) return;
    this.#take(answer);
    await this.ask();
  }

  /** Nobody answered: the network has dropped, or the daemon is busy. */
  #retry() {
    setTimeout(() => {
      this.#asking = false;
      this.#asked = '';
      if (!this.#closed) void this.ask();
    }, RETRY_MS);
  }

  /** What was tried stays what it sets, when something was dialled in meanwhile. @param {Align|null} answer */
  #follow(answer) {
    const of = (/** @type {Align|null} */ a) => a?.settings.find((c) => c.loudspeaker === a.fill)?.from;
    const [was, is] = [of(this.answer), of(answer)];
    if (!this.moved || !was || !is || this.answer?.fill !== answer?.fill || this.answer?.main !== answer?.main) return;
    if (was.delay_ms === is.delay_ms && was.polarity === is.polarity && was.gain_db === is.gain_db) return;
    const { delayMs, sign, gainDB } = this.setting;
    this.setting = {
      delayMs: Number((delayMs + was.delay_ms - is.delay_ms).toFixed(6)), sign: was.polarity === is.polarity ? sign : sign > 0 ? -1 : 1,
      gainDB: Number((gainDB + was.gain_db - is.gain_db).toFixed(6)),
    };
    address.set('try', `${this.setting.delayMs}_${this.setting.sign}_${this.setting.gainDB}`);
  }

  /** @param {Align|null} answer */
  #take(answer) {
    this.#follow(answer);
    this.answer = answer;
    this.settled = true;
    const seats = answer?.seats ?? [];
    // Seats on one grid share it: what is laid out for one serves all.
    for (const s of seats) if (s.frequency_hz.length === seats[0].frequency_hz.length && s.frequency_hz.every((f, i) => f === seats[0].frequency_hz[i])) s.frequency_hz = seats[0].frequency_hz;
    this.cells = seats.map((s) => prepare(s.cells, s.spread_ms));
    this.levels.today = Float64Array.from(this.cells, (c) => level(c, TODAY));
    if (!this.moved) this.setting = this.plan;
    this.#compute();
  }
}

/** The place of the least; -1 for none. @param {ArrayLike<number>} of */
function least(of) {
  let k = of.length ? 0 : -1;
  for (let i = 1; i < of.length; i++) if (of[i] < of[k]) k = i;
  return k;
}
