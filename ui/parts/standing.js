// @ts-check
// Does the microphone stand where it is said to? One delay with one error, held against those that were measured at
// the seats; where it cannot be told, nothing is said.

import { speedOfSound } from '../core/air.js';
import { CURVE } from '../core/frames.js';
import { running } from '../core/session.js';

/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {import('../core/types.js').Take} Take */
/** @typedef {{ms: number, sd: number, loudspeaker: string}} Heard */
/** @typedef {{seat: Seat, found: Seat|null, apart: number, times: Heard[]}} Astray  found: the one seat that it may be; apart: from the one that was chosen, in standard deviations; times: each loudspeaker’s newest there */

// As the survey's own whereabouts, but that half a degree of air more is left open: nobody asked for this.
const PLACE_MS = 0.3; // of a microphone that is put back to a seat: some 10 cm
const AIR_PART = 0.005; // of an arrival: at four deviations 11 °C that nobody has entered
const AGREE_IN = 2; // standard deviations; up to there they are the same
const DIFFER_IN = 4; // and from there on they are not; between the two it cannot be told
const BESIDE_DB = 6; // an arrival less than that below the strongest may be what is found live
const HOLD_MS = 2000; // what it hears may be on its way, as the one who carries it

/**
 * Where one delay puts a microphone that is said to be at a seat; null: there, or it cannot be told.
 * @param {{ms: number, sd: number}} live @param {Seat} seat @param {Map<Seat, Heard[]>} heard at each seat
 * @returns {{found: Seat|null, apart: number}|null}
 */
export function elsewhere(live, seat, heard) {
  const off = (/** @type {Heard[]} */ list) => Math.min(...list.map((h) => Math.abs(live.ms - h.ms) / (Math.hypot(live.sd, h.sd, PLACE_MS) + AIR_PART * Math.abs(h.ms))));
  const here = heard.get(seat);
  const apart = here?.length ? off(here) : 0;
  if (apart < DIFFER_IN) return null;
  const others = [...heard].filter(([s, list]) => s !== seat && list.length && off(list) <= DIFFER_IN);
  return { apart, found: others.length === 1 && off(others[0][1]) <= AGREE_IN ? others[0][0] : null };
}

/**
 * When what was measured at the seats would arrive now: in the air and with the delays of today.
 * @param {import('./shelf.js').Shelf} shelf @param {import('./alignmodel.js').AlignModel} model @param {import('../core/session.js').Session} session
 * @param {(take: Take) => boolean} [counts]
 * @returns {Map<Seat, Heard[]>} the newest first
 */
export function heardAt(shelf, model, session, counts = () => true) {
  const { source, settings } = /** @type {import('../core/types.js').State} */ (session.state);
  const set = (/** @type {string} */ name) => session.rig?.loudspeakers.find((l) => l.name === name)?.delay_ms ?? model.answer?.settings.find((c) => c.loudspeaker === name)?.from.delay_ms;
  const now = speedOfSound(session.rig?.temperature_c ?? settings.temperature_c);
  /** @type {Map<Seat, Heard[]>} */
  const out = new Map(shelf.seats.map((s) => [s, []]));
  for (const t of [...shelf.takes].reverse()) {
    const seat = shelf.seats.find((s) => s.id === t.seat);
    if (!seat || t.origin !== 'measured' || t.damaged || t.source !== source.name || t.reference !== settings.reference || !counts(t)) continue;
    const strongest = Math.max(...t.results.arrivals.map((a) => a.level_db ?? -Infinity));
    for (const a of t.results.arrivals) {
      if (a.delay_ms === null || (a.level_db ?? -Infinity) < strongest - BESIDE_DB) continue;
      for (const id of t.loudspeakers) {
        const name = shelf.playing([id]);
        const then = t.settings?.dialled?.[name]?.delay_ms ?? 0;
        out.get(seat)?.push({ ms: ((a.delay_ms - then) * speedOfSound(t.temperature_c)) / now + (set(name) ?? then), sd: a.delay_sd_ms ?? 0, loudspeaker: t.loudspeakers.length > 1 ? '' : name });
      }
    }
  }
  return out;
}

export class Standing {
  #model;
  #shelf;
  #session;
  #key = '';
  #since = 0;
  #seat = 0;
  /** What is said of it; it has held for a while. @type {Astray|null} */
  astray = null;

  /** @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session */
  constructor(model, shelf, session) {
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
  }

  /** The newest frame. @param {Seat|null} seat @param {number} channel @returns {boolean} what is said has changed */
  follow(seat, channel) {
    const { timeMs } = this.#session.frame;
    const was = this.astray;
    const is = seat && this.#look(seat, channel);
    const key = is ? `${is.seat.id} ${is.found?.id ?? 0}` : '';
    if (key !== this.#key) [this.#key, this.#since] = [key, timeMs];
    const held = timeMs - this.#since >= HOLD_MS;
    if ((seat?.id ?? 0) !== this.#seat) this.astray = null; // said of another one
    else if (held && key !== (was ? `${was.seat.id} ${was.found?.id ?? 0}` : '')) this.astray = is;
    this.#seat = seat?.id ?? 0;
    return this.astray !== was;
  }

  /** @param {Seat} seat @param {number} channel @returns {Astray|null} */
  #look(seat, channel) {
    const { frame, state, survey } = this.#session;
    const [ms, sd, fixed] = frame.curve(channel, CURVE.delay);
    if (!state || state.settings.hold || running(survey) || fixed === 1 || typeof ms !== 'number' || typeof sd !== 'number') return null;
    const there = heardAt(this.#shelf, this.#model, this.#session, (t) => t.microphone === channel).get(seat) ?? [];
    // Which of them plays now nobody says: each must have been heard there by itself.
    const times = this.#shelf.loudspeakers.map((l) => there.find((h) => h.loudspeaker === l.name));
    if (!times.length || times.some((h) => !h)) return null;
    const all = heardAt(this.#shelf, this.#model, this.#session).set(seat, there);
    const where = elsewhere({ ms, sd }, seat, all);
    return where && { seat, ...where, times: /** @type {Heard[]} */ (times) };
  }
}
