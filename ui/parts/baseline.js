// @ts-check
// What the microphone in front is compared with: chosen, started and stopped here.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { explain } from './glossary.js';
import { day } from './now.js';

/** @typedef {import('../core/types.js').Take} Take */
/** @typedef {import('../core/types.js').Watch} Watch */

const LEAST_S = 12; // of audio a baseline is learned from
const ALL_S = 20;

export class Baseline {
  #session;
  #shelf;
  #channel;
  #watch;
  #notices;
  #take = el('select', { 'data-testid': 'baseline-take', operates: 'still', 'aria-label': 'Baseline', onchange: () => this.draw() });
  #start = el('button', { type: 'button', text: 'Watch', 'data-testid': 'watch-start', operates: 'hide', onclick: () => void this.#begin(Number(this.#take.value)) });
  #stop = el('button', { type: 'button', text: 'Stop', 'data-testid': 'watch-stop', operates: 'hide', onclick: () => void this.#end() });
  #measure = el('button', { type: 'button', text: 'Measure it now', 'data-testid': 'baseline-measure', operates: 'hide', onclick: () => this.#fromNow() });
  #give = el('button', { type: 'button', text: 'Cancel', hidden: true, 'data-testid': 'baseline-cancel', operates: 'hide', onclick: () => this.#cancel() });
  /** Since when it listens; null: it does not. @type {{channel: number, sample: number, epoch: number, gaps: number}|null} */
  #listening = null;
  #made = 0; // the take made here that may turn out to be no baseline
  #says = el('p', { class: 'says', 'data-testid': 'baseline-says' });
  #listed = '';
  #busy = '';
  #off;
  node;

  /**
   * @param {import('../core/session.js').Session} session
   * @param {import('./shelf.js').Shelf} shelf
   * @param {() => number} channel in front
   * @param {() => Watch|null} watch of it
   * @param {import('./notice.js').Notices} notices
   */
  constructor(session, shelf, channel, watch, notices) {
    this.#session = session;
    this.#shelf = shelf;
    this.#channel = channel;
    this.#watch = watch;
    this.#notices = notices;
    this.node = el('section', { class: 'baseline', 'aria-label': 'Baseline' },
      el('div', { class: 'row' }, explain(el('h2'), 'Baseline', 'baseline'), this.#start, this.#stop), this.#take,
      el('div', { class: 'row' }, this.#measure, this.#give, this.#says));
    this.#off = [session.on('watch', () => {
      this.#tidy();
      this.draw();
    }), session.on('show', () => this.draw()), session.on('frame', () => this.#listen())];
    this.draw();
  }

  close() {
    for (const off of this.#off) off();
  }

  draw() {
    const channel = this.#channel();
    const watch = this.#watch();
    const fit = this.#shelf.takes.filter((t) => t.origin === 'measured' && t.microphone === channel && seconds(t) >= LEAST_S);
    // Everything playing, and lately: the most likely first.
    fit.sort((a, b) => b.loudspeakers.length - a.loudspeakers.length || b.at.localeCompare(a.at));
    if (watch && !fit.some((t) => t.id === watch.take)) fit.push(/** @type {Take} */ ({ id: watch.take, name: watch.take_name, at: watch.since, seat: watch.seat, loudspeakers: /** @type {number[]} */ ([]) }));
    const key = JSON.stringify([fit.map((t) => [t.id, t.name]), channel, watch?.take]);
    if (key !== this.#listed) {
      this.#listed = key;
      const before = this.#take.value;
      this.#take.replaceChildren(...fit.map((t) => el('option', { value: String(t.id), text: this.#nameOf(t) })));
      this.#take.value = String(watch?.take ?? (fit.some((t) => String(t.id) === before) ? before : (fit[0]?.id ?? '')));
    }
    this.#take.hidden = !fit.length;
    const chosen = Number(this.#take.value);
    this.#start.hidden = !fit.length || (!!watch && watch.state !== 'failed' && watch.take === chosen);
    say(this.#start, 'Watch');
    this.#stop.hidden = !watch;
    this.#give.hidden = !this.#listening;
    this.#measure.hidden = !!this.#listening || (!!watch && watch.state !== 'failed') || !this.#shelf.known || !this.#shelf.show;
    this.#start.disabled = this.#measure.disabled = !!this.#busy || !!this.#listening;
    say(this.#measure, fit.length ? 'Or measure it anew' : 'Measure it now');
    this.#take.disabled = !!this.#listening;
    say(this.#says, this.#listening ? `Listening: ${Math.min(ALL_S, Math.floor(this.#heard()))} of ${ALL_S} s. Leave everything as it is.` : this.#busy || this.#tell(watch, fit.length));
  }

  /** @param {Watch|null} watch @param {number} fit */
  #tell(watch, fit) {
    if (watch?.state === 'failed') return ''; // its sentence is the page's first line
    if (watch) return watch.state === 'learning' ? 'Learning the baseline …' : `since ${day(watch.since)}${watch.resumed ? ', again since a restart' : watch.by ? `, by ${watch.by === this.#session.client ? 'this page' : watch.by}` : ''}`;
    if (!this.#session.show) return 'No show is open to keep a baseline in.';
    if (!this.#shelf.known) return '';
    return fit ? '' : `With everything playing and all well: ${ALL_S} s of programme are enough.`;
  }

  /** @param {Take} t */
  #nameOf(t) {
    const what = t.name || this.#shelf.playing(t.loudspeakers) || `take ${t.id}`;
    return [what, t.seat ? this.#shelf.seatName(t.seat) : '', day(t.at)].filter(Boolean).join(', ');
  }

  /** @param {number} take */
  async #begin(take) {
    if (!take) return;
    this.#busy = 'Learning the baseline …';
    this.draw();
    await this.#notices.guard(ask('POST', '/api/v1/watch', { microphone: this.#channel(), take }));
    this.#busy = '';
    this.draw();
  }

  async #end() {
    const take = this.#watch()?.take;
    const microphone = this.#channel();
    const answer = await this.#notices.guard(ask('POST', '/api/v1/watch/stop', { microphone }));
    if (answer && take) this.#notices.say('Nothing is compared any more.', { label: 'Undo', run: () => void this.#notices.guard(ask('POST', '/api/v1/watch', { microphone, take })) });
  }

  /** Nothing hinders a baseline from being measured now. */
  get ready() {
    return !this.#measure.hidden && !this.#measure.disabled;
  }

  measure() {
    if (this.ready) this.#fromNow();
  }

  /** Listens from the press on, then makes a take of just that, and watches with it. Until then nothing is stored. */
  #fromNow() {
    this.#listening = { channel: this.#channel(), sample: this.#session.frame.sample, epoch: this.#session.frame.epoch, gaps: this.#session.frame.gaps };
    this.draw();
  }

  #cancel() {
    this.#listening = null;
    this.draw();
  }

  /** Seconds of sound since the press. */
  #heard() {
    return this.#listening ? (this.#session.frame.sample - this.#listening.sample) / (this.#session.hello?.rate_hz ?? Infinity) : 0;
  }

  #listen() {
    const l = this.#listening;
    if (!l) return;
    const { frame } = this.#session;
    // Another source or lost samples: from there on anew.
    if (frame.epoch !== l.epoch || frame.gaps !== l.gaps || frame.sample < l.sample) Object.assign(l, { sample: frame.sample, epoch: frame.epoch, gaps: frame.gaps });
    if (this.#heard() >= ALL_S) {
      this.#listening = null;
      void this.#keep(l.channel);
    }
    this.draw();
  }

  /** @param {number} channel */
  async #keep(channel) {
    this.#busy = 'Learning the baseline …';
    this.draw();
    const seat = this.#shelf.seats.find((s) => s.name === this.#session.channelName(channel));
    const take = await this.#notices.guard(ask('POST', '/api/v1/show/takes', {
      microphone: channel, name: 'Everything', seat: seat?.id ?? 0, loudspeakers: this.#shelf.loudspeakers.map((l) => l.id), audio_s: ALL_S,
    }));
    if (take) {
      this.#made = take.id;
      await this.#begin(take.id);
    }
    this.#busy = '';
    this.draw();
  }

  /** What was taken for a baseline and is none leaves nothing behind; it can be brought back. */
  #tidy() {
    const made = this.#made;
    const watch = this.#session.watches.find((w) => w.take === made);
    if (!made || !watch || watch.state === 'learning') return;
    this.#made = 0;
    if (watch.state === 'failed') void this.#notices.guard(ask('DELETE', `/api/v1/show/takes/${made}`));
  }
}

/** @param {Take} t */
const seconds = (t) => (t.audio.sample_rate_hz ? t.audio.frames / t.audio.sample_rate_hz : 0);
