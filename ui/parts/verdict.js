// @ts-check
// What the measurement of the microphone in front means now.

import { clock, fixed, plusMinus } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { Sentence } from './sentence.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */

/** What phrases light on the page. */
const LIGHTS = /^(arrival:\d+|delay|distance|polarity|trusted|known|comb|level|reference|microphone)$/;

export class VerdictLine {
  #session;
  #view;
  #sentence;
  /** @type {(() => void)[]} */
  #off;
  node;

  /** @param {Session} session @param {View} view */
  constructor(session, view) {
    this.#session = session;
    this.#view = view;
    this.#sentence = new Sentence(view, LIGHTS, () => this.#evidence());
    this.node = this.#sentence.node;
    const show = () => this.#show();
    let unlogged = '';
    const log = () => { // levels come every second, and are seldom in trouble
      if (unlogged === (unlogged = notLogged(session))) return;
      show();
    };
    this.#off = [session.on('verdict', show), session.on('state', show), session.on('status', show), session.on('levels', log), view.onChange(show)];
    show();
  }

  close() {
    for (const off of this.#off) off();
  }

  #channel() {
    return this.#view.front(this.#session.state?.settings.microphones ?? []);
  }

  #show() {
    const verdict = this.#session.verdicts.get(this.#channel());
    const parts = verdict?.parts ?? [{ text: waiting(this.#session) }];
    this.#sentence.show({ mark: verdict?.mark ?? '', certainty: verdict?.certainty ?? '', headline: verdict?.headline, parts, trouble: trouble(this.#session, parts.map((p) => p.text).join('')) });
  }

  /** The figures behind the word. */
  #evidence() {
    const channel = this.#channel();
    const { frame } = this.#session;
    const verdict = this.#session.verdicts.get(channel);
    const [, sd] = frame.curve(channel, CURVE.delay);
    const [sign, confidence] = frame.curve(channel, CURVE.polarity);
    const polarity = sign ? `Polarity ${sign > 0 ? 'same' : 'opposite'} with confidence ${fixed(confidence, 3)}` : 'Polarity undecided';
    return [
      verdict?.delay_reason ? `Delay: ${verdict.delay_reason}.` : `Delay within ${plusMinus(typeof sd === 'number' ? 2 * sd : null, 3)} ms (two standard deviations).`,
      verdict?.polarity_reason ? `${polarity}: ${verdict.polarity_reason}.` : `${polarity}.`,
      `Averaged over ${fixed(frame.averagedS, 1)} s; ${counted(frame.gaps, 'gap', 'gaps')}, ${counted(frame.bursts, 'disturbance', 'disturbances')} left out.`,
    ].join(' ');
  }
}

/** @param {number} n @param {string} one @param {string} many */
const counted = (n, one, many) => (n === 0 ? `no ${many}` : `${n} ${n === 1 ? one : many}`);

/** Why levels are not being stored: a full disk, a show whose file has gone. @param {Session} session */
const notLogged = ({ levels }) => (levels?.log.state === 'failed' ? levels.log.text : '');

/** What is wrong with the connection, the source, the recording or the level log; the source's only if it is not said already. @param {Session} session @param {string} [said] */
export function trouble(session, said = '') {
  const { status, state } = session;
  let text = '';
  if (!status.open && status.lastMs) text = `No data since ${clock(status.lastMs)}. The daemon is not answering; trying again.`;
  else if (status.stale && status.lastMs) text = `No data since ${clock(status.lastMs)}.`;
  // A source that runs may be in trouble, too: exact zeros, another rate, samples that keep getting lost.
  const why = status.open && state ? state.source.text : '';
  if (why && said.includes(why)) text = '';
  else if (why) text = `${text} ${why[0].toUpperCase()}${why.slice(1)}${why.endsWith('.') ? '' : '.'}`.trim();
  if (status.open && state?.recording?.text) text = `${text} ${state.recording.text}`.trim();
  if (status.open && notLogged(session)) text = `${text} ${notLogged(session)}`.trim();
  return text;
}

/** @param {Session} session */
function waiting(session) {
  if (!session.hello) return 'Waiting for the daemon.';
  const source = session.state?.source;
  return source && source.state !== 'running' && source.text ? source.text : `Listening to ${source?.name ?? 'the source'}; the first result takes a moment.`;
}
