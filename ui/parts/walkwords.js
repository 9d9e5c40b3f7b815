// @ts-check
// What the person who walks from seat to seat has to know: what was found, and the next thing to do.

import { clock, fixed } from '../core/format.js';
import { fitting, lead } from '../core/headline.js';
import { running } from '../core/session.js';
import { lost, sumAt, upper } from './alignwords.js';

/** @typedef {import('../core/types.js').Part} Part */
/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {import('./alignwords.js').Says} Says */

/** What phrases light on the page. */
export const LIGHTS = /^(act|seat)$/;

/** @param {string} text @param {string} [about] @returns {Part} */
const part = (text, about) => ({ text, about });

/** Connected once, and not now. @param {import('../core/session.js').Session} session */
export const away = ({ status }) => !status.open && status.lastMs > 0;

/**
 * @param {import('./whichseat.js').WhichSeat} which
 * @param {import('./alignmodel.js').AlignModel} model
 * @param {import('./shelf.js').Shelf} shelf
 * @param {import('../core/session.js').Session} session
 * @param {import('./standing.js').Astray|null} [astray] the microphone is not where it is said to be
 * @returns {Says}
 */
export function words(which, model, shelf, session, astray = null) {
  const attention = (/** @type {string} */ headline, /** @type {Part[]} */ ...parts) => /** @type {Says} */ ({ mark: 'attention', certainty: '', headline, parts });
  const wait = (/** @type {string} */ text) => /** @type {Says} */ ({ mark: '', certainty: '', headline: text, parts: [] });
  if (!session.hello || !session.state) return wait('Waiting for the daemon.');
  if (away(session)) return attention(`No connection since ${clock(session.status.lastMs)}: it goes on by itself.`, part('What was measured is kept. What this page played has stopped. The numbers below are from then.'));
  if (session.show === undefined) return attention('This daemon keeps no show: start it with --show FILE.');
  if (session.show === null) return attention('No show is open: open one or make one on the Show page.');
  if (!shelf.known || !model.settled) return wait(lead(`Reading ${session.show.name || 'the show'}.`));
  const { survey } = session;
  if (survey && running(survey)) return attention(sounding(survey, shelf), part(survey.text));
  if (!shelf.loudspeakers.length) return attention('Which loudspeakers play? Name them on the Align page first.');
  const { here, found } = which;
  if (!here) return attention('No seat yet: add the one that you stand at.', part('Each seat is measured once; ', 'seat'), part('a name can be given on the Align page.'));
  const lacks = which.lacks(here);
  if (astray?.seat.id === here.id) return notThere(astray);
  if (survey && (survey.state === 'stopped' || survey.state === 'failed') && survey.seat === here.id) return ended(survey, here);
  const fresh = lacks.length === which.wanted.length;
  const measured = !lacks.length ? here : fresh && found && found.id !== here.id && !which.lacks(found).length ? found : null;
  if (!measured) return missing(which, here, lacks);
  return result(which, model, measured, here, lacks.length > 0);
}

/** What to do while it sounds. @param {import('../core/types.js').Survey} survey @param {import('./shelf.js').Shelf} shelf */
function sounding(survey, shelf) {
  if (survey.state === 'storing') return fitting(`Sound off at ${shelf.seatName(survey.seat)}: what was heard is being stored.`, 'Sound off: what was heard is being stored.');
  if (survey.state !== 'ramping' && survey.state !== 'measuring') return lead(survey.text);
  const what = survey.playing.length > 1 ? `${survey.playing.join(' and ')} together` : `${survey.playing[0]} alone`;
  return fitting(`Leave the microphone still: ${what} at ${shelf.seatName(survey.seat)}.`, `Leave the microphone still: ${what}.`, 'Leave the microphone still while it sounds.');
}

/** @param {import('./standing.js').Astray} astray @returns {Says} */
function notThere({ seat, found, times }) {
  const headline = found ? fitting(`The microphone is at ${found.name}, not ${seat.name}: choose ${found.name}.`, `The microphone is at ${found.name}: choose that seat.`, 'The microphone is at another seat: choose that.')
    : fitting(`The microphone is not at ${seat.name}: choose the seat or carry it there.`, 'The microphone is not at this seat: choose the seat or carry it there.');
  const came = times.map((h, k) => `${h.loudspeaker}${k ? '' : ' came'} after ${fixed(h.ms, 2)} ms`);
  const list = came.length > 1 ? `${came.slice(0, -1).join(', ')} and ${came[came.length - 1]}` : came.join('');
  const back = found ? ` Or carry it to ${seat.name}.` : '';
  return { mark: 'act', certainty: 'likely', headline, parts: [part(`${upper(list)} at ${seat.name}`, 'seat'), part(`, and the delay now is ${found ? `one of ${found.name}` : 'another'}.${back} A delay that was changed at the processor looks the same.`)] };
}

/** The survey came to nothing, or to less than it was for. @param {import('../core/types.js').Survey} survey @param {Seat} seat @returns {Says} */
function ended(survey, seat) {
  const headline = survey.state === 'failed' ? lead(survey.text) : fitting(`The sound stopped at ${seat.name}: survey it again.`, 'The sound stopped: survey the seat again.');
  return { mark: survey.state === 'failed' ? 'act' : 'attention', certainty: '', headline, parts: [part(`${survey.text} `), part(`Next: survey ${seat.name} again.`, 'act')] };
}

/** @param {import('./whichseat.js').WhichSeat} which @param {Seat} seat @param {string[][]} lacks @returns {Says} */
function missing(which, seat, lacks) {
  if (lacks.length === which.wanted.length) return { mark: 'attention', certainty: '', headline: fitting(`Stand the microphone at ${seat.name} and measure there.`, 'Stand the microphone at this seat and measure there.'), parts: [part('Nothing is measured '), part('there', 'seat'), part(' yet.')] };
  const still = lacks.map((playing) => (playing.length > 1 ? `${playing.join(' and ')} together` : playing[0])).join(', and ');
  return { mark: 'attention', certainty: '', headline: fitting(`${upper(seat.name)} still lacks ${still}.`, `${upper(seat.name)} is not whole yet.`, 'This seat is not whole yet.'), parts: [part('What was measured is kept.', 'seat'), part(' Measure the rest.', 'act')] };
}

/**
 * What the takes of a seat say, and where to go.
 * @param {import('./whichseat.js').WhichSeat} which @param {import('./alignmodel.js').AlignModel} model
 * @param {Seat} seat @param {Seat} here @param {boolean} onward nothing is measured here
 * @returns {Says}
 */
function result(which, model, seat, here, onward) {
  const next = onward ? here : which.next;
  const { promise } = model.answer ?? {};
  const step = next ? `go on to ${next.name}` : promise?.worth ? 'see the plan' : 'every seat is measured';
  const then = next ? null : part(`Every seat is measured. ${promise?.text ?? ''}`.trim() + ' ');
  const account = model.answer?.seats.find((s) => s.seat === seat.id);
  if (!account) {
    const why = (model.answer?.reasons ?? []).join(' ');
    return { mark: 'steady', certainty: '', headline: fitting(`${upper(seat.name)} is measured: ${step}.`, `Measured: ${step}.`), parts: [...(then ? [then] : []), ...(why ? [part(why)] : [])] };
  }
  const { sum, certainty, cause } = sumAt(account);
  if (certainty === 'cannot tell') return { mark: 'act', certainty, headline: fitting(`Too noisy at ${seat.name} to tell what they gain: survey it again.`, 'Too noisy to tell what the two gain: survey it again.'), parts: [part('Wait until it is quieter, or play louder.')] };
  const pair = upper(`${model.main} and ${model.fill}`);
  const inverted = cause?.cause === 'polarity' && account.polarity === 'opposite';
  const headline = inverted ? fitting(`${upper(model.fill)} is inverted at ${seat.name}: ${step}.`, `A loudspeaker is inverted at ${seat.name}: ${step}.`, `A loudspeaker is inverted: ${step}.`)
    : fitting(`${pair} ${sum} at ${seat.name}: ${step}.`, `They ${sum} at ${seat.name}: ${step}.`, `They ${sum}: ${step}.`);
  const offset = account.offset_ms === null || cause?.cause === 'time' ? [] : [part(`${upper(model.fill)} comes ${fixed(Math.abs(account.offset_ms), 2)} ms ${account.offset_ms < 0 ? 'before' : 'after'} ${model.main}. `)];
  return { mark: next ? 'attention' : promise?.worth ? 'act' : 'steady', certainty, headline, parts: [...(then ? [then] : []), ...(inverted ? [part(`${pair} ${sum}. `)] : []), ...lost(model, account), ...offset] };
}
