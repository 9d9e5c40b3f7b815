// @ts-check
// What the takes of two loudspeakers mean, in a sentence or two, and what to do next.

import { fixed } from '../core/format.js';
import { fitting, lead } from '../core/headline.js';
import { running } from '../core/session.js';

/** @typedef {import('../core/types.js').Part} Part */
/** @typedef {import('../core/types.js').AlignSeat} AlignSeat */
/** @typedef {import('./alignmodel.js').AlignModel} AlignModel */
/** @typedef {{mark: ''|'steady'|'attention'|'act', certainty: string, headline?: string, parts: Part[]}} Says */

/** What phrases light on the page. */
export const LIGHTS = /^(ledger|cause:\w+|seat|missing|dial|proof|comb|slopes|reach)$/;
const SURE_DB = 0.5;
const LIKELY_DB = 1.5;
const WORTH_DB = 0.3; // of level, that nobody asks whether it suits

/** @param {string} text @param {string} [about] @returns {Part} */
const part = (text, about) => ({ text, about });
/** @param {string} text */
export const lower = (text) => text.slice(0, 1).toLowerCase() + text.slice(1);
/** @param {string} text */
export const upper = (text) => text.slice(0, 1).toUpperCase() + text.slice(1);

/**
 * @param {AlignModel} model
 * @param {import('./shelf.js').Shelf} shelf
 * @param {import('../core/session.js').Session} session
 * @returns {Says}
 */
export function words(model, shelf, session) {
  const says = meaning(model, shelf, session);
  if (says.headline) return says;
  const headline = says.parts.map((p) => p.text).join('');
  const parts = headline.length === lead(headline).length && !says.parts.some((p) => p.about) ? [] : says.parts;
  return { ...says, headline: lead(headline), parts };
}

/** @param {AlignModel} model @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session @returns {Says} */
function meaning(model, shelf, session) {
  const attention = (/** @type {Part[]} */ ...parts) => /** @type {Says} */ ({ mark: 'attention', certainty: '', parts });
  const { survey } = session;
  if (!session.hello || !session.state) return { mark: '', certainty: '', parts: [part('Waiting for the daemon.')] };
  if (session.show === undefined) return attention(part('This daemon keeps no show: start it with --show FILE.'), part(' Until then there is nowhere to put takes.', 'missing'));
  if (session.show === null) return attention(part('No show is open: open one or make one on the Show page.'));
  if (!shelf.known || !model.settled) return { mark: '', certainty: '', parts: [part(`Reading ${session.show.name || 'the show'}.`)] };
  if (survey && running(survey)) return attention(part(survey.text));
  if (shelf.loudspeakers.length < 2) return attention(part('Two loudspeakers are needed: add their names. '), part('Next: add the seats, and survey each.', 'missing'));
  const { answer } = model;
  if (!answer?.plan) return cannot(model);
  const { stored } = model;
  const proofs = stored?.verified ?? [];
  if (model.dialled(session.rig) && proofs.length && newerThanTakes(proofs, shelf)) return proven(model, proofs);
  return account(model, model.dialled(session.rig));
}

/** @param {AlignModel} model @returns {Says} */
function cannot(model) {
  const { answer, main, fill } = model;
  const complete = (answer?.reasons ?? []).filter((r) => !r.startsWith('No seat has both'));
  if (complete.length) return { mark: 'attention', certainty: 'cannot tell', headline: fitting(`Cannot tell how ${main} and ${fill} add up.`, 'Cannot tell how the two add up.'), parts: [part('Cannot tell how they add up: '), part(complete.join(' '), 'missing')] };
  const seat = model.seat?.name;
  return {
    mark: 'attention', certainty: 'cannot tell',
    headline: seat ? fitting(`No plan yet: stand the microphone at ${seat} and survey it.`, `No plan yet: survey ${seat}.`) : 'No plan yet: add a seat and survey it.',
    parts: [part(`Cannot tell yet how ${main} and ${fill} add up: no seat has a take of each alone. `),
      part(seat ? `Stand the microphone at ${seat} and survey it.` : 'Add a seat, stand the microphone there and survey it.', 'missing')],
  };
}

/** A proof counts until the seats are surveyed anew. @param {import('../core/types.js').Verification[]} proofs @param {import('./shelf.js').Shelf} shelf */
function newerThanTakes(proofs, shelf) {
  const newest = Math.max(...proofs.map((p) => p.take));
  return !shelf.takes.some((t) => t.id > newest && t.loudspeakers.length === 1);
}

/** @param {AlignModel} model @param {import('../core/types.js').Verification[]} proofs @returns {Says} */
function proven(model, proofs) {
  const bad = proofs.filter((p) => !p.pass);
  const left = (model.answer?.seats ?? []).filter((s) => !proofs.some((p) => p.seat === s.seat));
  if (bad.length) {
    const [{ seat_name: seat, difference_db: db, text }] = bad;
    const by = db === null ? 'is not proven' : `misses the plan by ${fixed(Math.abs(db), 1)} dB`;
    return { mark: 'act', certainty: 'sure', headline: fitting(`${upper(seat)} ${by}: check what is dialled in.`, `A seat ${by}: check what is dialled in.`), parts: [part(text)] };
  }
  const difference = Math.ceil(10 * Math.max(0.01, ...proofs.map((p) => Math.abs(p.difference_db ?? 0)))) / 10;
  const passed = proofs.map((p) => p.seat_name).join(', ');
  return {
    mark: left.length ? 'attention' : 'steady', certainty: 'sure',
    headline: left.length ? fitting(`The plan holds so far: verify at ${left[0].name} next.`, 'The plan holds so far: verify at the next seat.') : 'The plan is dialled in and holds: nothing is left to do.',
    parts: [part(`The plan is dialled in and holds at ${passed}: `), part(`measured within ${fixed(difference, 1)} dB of the prediction`, 'proof'), part('. '),
      part(left.length ? `Next: verify at ${left[0].name}.` : 'Nothing is left to do but to watch.', 'proof')],
  };
}

/** @param {AlignModel} model @param {boolean} dialled @returns {Says} */
function account(model, dialled) {
  const { answer, main, fill } = model;
  const seat = model.account ?? model.worst;
  if (!answer || !seat) return cannot(model);
  const gain = seat.gain_over_louder_db;
  const certainty = sureness(seat);
  /** @type {Part[]} */
  const parts = [part(upper(`${main} and ${fill} `))];
  if ((gain ?? 0) >= 0) parts.push(part(`gain ${fixed(gain, 1)} of ${fixed(seat.ideal_gain_db, 0)} dB`, 'ledger'));
  else parts.push(part(`lose ${fixed(-(gain ?? 0), 1)} dB`, 'ledger'), part(' against the louder one alone'));
  parts.push(part(' at '), part(seat.name, 'seat'), part('. '));
  parts.push(...lost(model, seat));
  parts.push(...next(model, dialled));
  if (answer.certainty && answer.certainty !== 'sure' && answer.promise.worth) parts.push(doubt(answer));
  return { mark: certainty === 'cannot tell' ? 'attention' : answer.promise.worth ? 'act' : answer.missing.length ? 'attention' : 'steady', certainty, headline: inShort(model, seat, dialled), parts };
}

/** What costs the most at a seat, if it is worth a word. @param {AlignModel} model @param {AlignSeat} seat @returns {Part[]} */
export function lost(model, seat) {
  const cause = worstOf(seat);
  if (!cause) return [];
  const missing = (seat.ideal_gain_db ?? 6) - (seat.gain_over_louder_db ?? 0);
  const by = `${fixed(-(cause.change_db ?? 0), 1)} dB`;
  const most = -(cause.change_db ?? 0) > missing / 2 ? `Most of the rest (${by})` : `${by} of the rest`;
  return [part(most, `cause:${cause.cause}`), part(` is ${reason(cause.cause, seat, model)}. `)];
}

/** What two do at a seat in three words, how sure that is, and what costs the most. @param {AlignSeat} seat */
export function sumAt(seat) {
  const gain = seat.gain_over_louder_db ?? 0;
  return { sum: gain >= 0 ? `gain ${fixed(gain, 1)} of ${fixed(seat.ideal_gain_db, 0)} dB` : `lose ${fixed(-gain, 1)} dB`, certainty: sureness(seat), cause: worstOf(seat) };
}

/** How sure the sum at a seat is. @param {AlignSeat} seat */
function sureness(seat) {
  const half = Math.abs((seat.gain_high_db ?? NaN) - (seat.gain_low_db ?? NaN)) / 2;
  return seat.predicted ? 'predicted' : half <= SURE_DB ? 'sure' : half <= LIKELY_DB ? 'likely' : 'cannot tell';
}

/** What costs the most there, if it is worth a word. @param {AlignSeat} seat */
function worstOf(seat) {
  const [cause] = [...seat.ledger].sort((a, b) => (a.change_db ?? 0) - (b.change_db ?? 0));
  return cause && (cause.change_db ?? 0) < -0.1 ? cause : undefined;
}

/** What the two do at a seat, and what to do. @param {AlignModel} model @param {AlignSeat} seat @param {boolean} dialled */
function inShort({ answer, main, fill, stored }, seat, dialled) {
  if (!answer) return '';
  const { promise } = answer;
  if (stored && dialled && !stored.verified.length) return fitting(`The plan is dialled in: verify at ${answer.seats[0]?.name}.`, 'The plan is dialled in: verify it.');
  const { sum, certainty, cause: worst } = sumAt(seat);
  const more = promise.change_db ?? 0;
  const [missing] = answer.missing.filter((m) => !m.includes('predicted'));
  const { cause } = worst ?? {};
  let step = 'nothing to change';
  if (promise.worth) step = more >= WORTH_DB ? `dial in the plan for ${fixed(more, 1)} dB` : 'dial in the plan to even it out';
  else if (missing) step = `measure ${missing.replace(/^(.*): (.*)$/, '$2 at $1')}`;
  const pair = upper(`${main} and ${fill}`);
  if (certainty === 'cannot tell') return fitting(`Too noisy at ${seat.name} to tell what ${main} and ${fill} gain: survey it again.`, `Too noisy at ${seat.name} to tell what they gain: survey it again.`, 'Too noisy to tell what the two gain: survey it again.');
  // A fault comes first.
  if (cause === 'polarity' && seat.polarity === 'opposite' && promise.worth) return fitting(`${upper(fill)} is inverted at ${seat.name}: ${step}.`, `${upper(fill)} is inverted: ${step}.`, `A loudspeaker is inverted: ${step}.`);
  return fitting(`${pair} ${sum} at ${seat.name}: ${step}.`, `${pair} ${sum}: ${step}.`, `The pair ${sum.replace(/^gain/, 'gains').replace(/^lose/, 'loses')}: ${step}.`);
}

/** Why a plan is not sure. @param {import('../core/types.js').Align} answer @returns {Part} */
function doubt({ certainty, plan, cycles }) {
  if (plan?.follows_arrivals) return part(' Noise hides the phases: the plan follows the arrivals.', 'sweep');
  if (cycles.length) return part(certainty === 'likely' ? ' Its cycle is likely, not sure.' : ' Another cycle is as good.', 'slopes');
  return part(` Noise leaves open by ±${fixed(((plan?.high_db ?? NaN) - (plan?.low_db ?? NaN)) / 2, 1)} dB what it gives.`, 'sweep');
}

/** @param {string} cause @param {AlignSeat} seat @param {AlignModel} model */
function reason(cause, seat, { main, fill, plan }) {
  const ms = seat.offset_ms ?? 0;
  const quieter = (seat.level_a_db ?? 0) > (seat.level_b_db ?? 0) ? fill : main;
  switch (cause) {
    case 'level': return `level: ${quieter} is ${fixed(Math.abs((seat.level_a_db ?? 0) - (seat.level_b_db ?? 0)), 1)} dB quieter`;
    case 'time': {
      const offset = `${fixed(Math.abs(ms), 2)} ms of offset`;
      // The plan is for all seats; it may go the other way than this one would.
      if (ms * plan.delayMs > 0) return `${offset} at this seat`;
      return `${offset}: ${ms > 0 ? `${fill} comes too late` : `delay ${fill}`}`;
    }
    case 'polarity': return seat.polarity === 'opposite' ? `polarity: ${fill} is inverted` : `polarity at today's delay`;
    case 'phase': return 'phase that no delay mends';
    case 'spectrum': return 'how differently the two spread over frequency';
  }
  return 'what was measured against the prediction: noise, movement or a limiter';
}

/** @param {AlignModel} model @param {boolean} dialled @returns {Part[]} */
function next(model, dialled) {
  const { answer, stored } = model;
  const out = [];
  if (!answer) return [];
  const { promise } = answer;
  const [missing] = answer.missing.filter((m) => !m.includes('predicted'));
  if (missing) out.push(part(`Missing: ${missing}. `, 'missing'));
  if (stored && dialled && !stored.verified.length) out.push(part(`The plan is dialled in. Next: verify at ${answer.seats[0]?.name}.`, 'proof'));
  else if (!promise.worth) out.push(part(promise.text, 'dial'));
  else if (stored && model.isStored) out.push(part(promise.text, 'dial'), part(' Next: dial it in, then verify.', 'dial'));
  else out.push(part(promise.text, 'dial'), part((promise.change_db ?? 0) >= WORTH_DB ? ' Dial it in.' : ' Dial it in, if that suits.', 'dial'));
  if (promise.adds_up_to_hz && promise.adds_up_to_hz < answer.band_hz[1]) out.push(part(` Where heads are they add up to ${hertz(promise.adds_up_to_hz)}.`, 'reach'));
  return out;
}

/** To two digits. @param {number} hz */
function hertz(hz) {
  const unit = 10 ** (Math.floor(Math.log10(hz)) - 1);
  const f = Math.round(hz / unit) * unit;
  return f >= 1000 ? `${fixed(f / 1000, 1)} kHz` : `${fixed(f, 0)} Hz`;
}
