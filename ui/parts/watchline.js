// @ts-check
// What the watch of the microphone in front means now, and its limit, in one or two sentences.

import { fixed, signed } from '../core/format.js';
import { duration } from '../draw/times.js';
import { fit, lead } from '../core/headline.js';
import { Sentence } from './sentence.js';
import { trouble } from './verdict.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../core/types.js').Watch} Watch */
/** @typedef {import('../core/types.js').Part} Part */
/** @typedef {'steady'|'attention'|'act'} Mark */

const LIGHTS = /^(baseline|limit|band|difference|event:\d+)$/;
const ORDER = /** @type {Mark[]} */ (['steady', 'attention', 'act']);
/** What in a sentence of the daemon can be shown on the page. */
const BAND = /all (?:below|above) [\d.,]+ k?Hz|[\d.,]+ k?Hz to [\d.,]+ k?Hz/;
const TIME = /\b\d{1,2}:\d\d:\d\d\b/;
const WITHIN = /within [\d.,]+ dB/;

export class WatchLine {
  #session;
  #watch;
  #level;
  #events;
  #others;
  #sentence;
  #off;
  node;

  /**
   * @param {Session} session @param {View} view
   * @param {{watch: () => Watch|null, others: () => Watch[], level: () => import('../core/types.js').SoundLevel|null, events: () => import('../core/types.js').WatchEvent[]}} of the microphone in front
   */
  constructor(session, view, of) {
    this.#session = session;
    this.#watch = of.watch;
    this.#level = of.level;
    this.#events = of.events;
    this.#others = of.others;
    this.#sentence = new Sentence(view, LIGHTS, () => this.#evidence());
    this.node = this.#sentence.node;
    const show = () => this.show();
    this.#off = [session.on('watch', show), session.on('state', show), session.on('status', show), session.on('levels', show), session.on('show', show), view.onChange(show)];
    show();
  }

  close() {
    for (const off of this.#off) off();
  }

  show() {
    const watch = this.#watch();
    /** @type {Mark} */
    let mark = watch?.mark ?? 'attention';
    let certainty = watch?.certainty ?? '';
    const parts = this.#session.hello ? this.#about(watch) : [{ text: 'Waiting for the daemon.' }];
    let headline = this.#session.hello ? watch?.headline ?? lead(parts.map((p) => p.text).join('')) : '';
    for (const other of this.#others()) {
      if (other.mark === 'steady') continue;
      const name = this.#session.channelName(other.microphone);
      parts.push({ text: ` ${name}: ${other.text}` });
      if (worse(mark, other.mark) !== mark || !watch) headline = fit(name, other.headline);
      mark = worse(mark, other.mark);
    }
    const limit = this.#level()?.limit;
    if (limit && limit.mark !== 'steady' && limit.state !== 'cannot tell') {
      const said = this.#limit(limit);
      parts.push({ text: ' The ' }, ...said);
      if (mark !== 'act') {
        certainty = '';
        headline = lead(`The ${said.map((p) => p.text).join('')}`);
      }
      mark = worse(watch ? mark : 'steady', limit.mark);
    }
    this.#sentence.show({ mark: this.#session.hello ? mark : '', certainty, headline, parts, trouble: trouble(this.#session) });
  }

  /** @param {Watch|null} watch @returns {Part[]} */
  #about(watch) {
    if (!watch && !this.#session.show) return [{ text: 'Nothing to compare with: open a show on the Show page first.' }];
    if (!watch) return [{ text: 'No baseline yet: ' }, { text: 'choose or measure one', about: 'baseline' }, { text: '. What changes is told from then on.' }];
    return split(watch.text, [[BAND, 'band'], [TIME, this.#latest()], [WITHIN, 'difference']]);
  }

  /** @param {import('../core/types.js').LimitStatus} s @returns {Part[]} */
  #limit(s) {
    if (s.peak_crossed) return [{ text: 'limit of peaks', about: 'limit' }, { text: ` is crossed: ${fixed(s.peak_db, 1)} dB.` }];
    const phrase = { text: `limit of ${fixed(s.limit_db, 0)} dB`, about: 'limit' };
    if (s.state === 'crossed') return [phrase, { text: ` is crossed: ${fixed(s.level_db, 1)} dB.` }];
    return [phrase, { text: s.crossed_in_s === null ? ` is near: ${fixed(s.level_db, 1)} dB.` : ` is crossed in ${duration(s.crossed_in_s)} at this pace.` }];
  }

  #latest() {
    const channel = this.#watch()?.microphone;
    const event = this.#events().find((e) => e.microphone === channel && e.kind !== 'limit crossed');
    return event?.id ? `event:${event.id}` : '';
  }

  /** The figures behind the word. */
  #evidence() {
    const watch = this.#watch();
    if (!watch) return '';
    const event = this.#events().find((e) => e.microphone === watch.microphone);
    const warm = watch.temperature_c !== null && watch.baseline_temperature_c !== null
      ? `The delays tell ${fixed(watch.temperature_c, 1)} °C, ${signed(watch.temperature_c - watch.baseline_temperature_c, 1)} °C since the baseline.` : '';
    return [
      watch.within_db === null ? 'No third octave is known to half a dB yet.' : `Largest difference that is known to half a dB: ${fixed(watch.within_db, 1)} dB.`,
      watch.wrong && event?.confidence != null ? `Against all other kinds of change: ${fixed(100 * event.confidence, 1)} %.` : '',
      watch.loudspeakers.length ? `Told apart: ${watch.loudspeakers.map((l) => l.name).join(', ')}.` : '',
      warm, watch.as_it_was_s === null ? '' : `As it was for ${duration(watch.as_it_was_s)}.`, watch.breaks ? `${watch.breaks} breaks in what was heard.` : '',
    ].filter(Boolean).join(' ');
  }
}

/** @param {Mark} a @param {Mark} b */
const worse = (a, b) => (ORDER.indexOf(b) > ORDER.indexOf(a) ? b : a);

/**
 * Cuts a sentence where phrases of it can light something.
 * @param {string} text @param {[RegExp, string][]} phrases @returns {Part[]}
 */
function split(text, phrases) {
  /** @type {Part[]} */
  let parts = [{ text }];
  for (const [pattern, about] of phrases) {
    if (!about) continue;
    const k = parts.findIndex((p) => !p.about && pattern.test(p.text));
    if (k < 0) continue;
    const found = /** @type {RegExpExecArray} */ (pattern.exec(parts[k].text));
    const rest = parts[k].text;
    const pieces = [{ text: rest.slice(0, found.index) }, { text: found[0], about }, { text: rest.slice(found.index + found[0].length) }];
    parts = [...parts.slice(0, k), ...pieces.filter((p) => p.text), ...parts.slice(k + 1)];
  }
  return parts;
}
