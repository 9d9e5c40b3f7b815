// @ts-check
// Measuring a seat: with the daemon's test signal, one press a seat; or by hand, for those who mute at the
// console. The caution stands on what starts the sound.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { signed } from '../core/format.js';
import { RUNNING, running } from '../core/session.js';
import { Goal } from './goal.js';
import { Growing } from './growing.js';
import { Meters } from './meters.js';
import { Progress } from './progress.js';
import { SeatMicrophone } from './seatmicrophone.js';
import { Whereabouts } from './whereabouts.js';

/** @typedef {import('../core/types.js').Survey} Survey */
/** @typedef {import('../core/types.js').Seat} Seat */

// Nothing else on the page moves with the sound: the daemon may keep its frames, but for a sign of life.
const IDLE_FPS = 2;
const METERS_FPS = 10;

export class Surveyor {
  #model;
  #shelf;
  #session;
  #notices;
  #goal = new Goal(() => this.show());
  #startName = el('strong');
  #caution = el('span');
  #start = el('button', { type: 'button', class: 'start', 'data-testid': 'survey', operates: 'hide', onclick: () => void this.#survey() }, this.#startName, this.#caution);
  #microphone;
  #settings;
  #hand = el('div', { class: 'hand' });
  #reason = el('p', { class: 'remark' });
  #far = new Progress();
  #progress;
  #growing;
  #meters;
  #astray;
  #stop;
  #wanted = '';
  #off;
  #last = '';
  #all = false;
  #allAtOnce = el('button', { type: 'button', 'data-testid': 'survey-all', operates: 'hide', onclick: () => {
    this.#all = !this.#all;
    this.show();
  } });
  #verifyName = el('strong');
  #verifyCaution = el('span');
  #verify = el('button', { type: 'button', class: 'start', 'data-testid': 'verify', operates: 'hide', onclick: () => void this.#prove() }, this.#verifyName, this.#verifyCaution);
  #proofs = el('ul', { class: 'proofs', 'data-testid': 'proofs' });
  node;

  /**
   * @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf
   * @param {import('../core/session.js').Session} session @param {import('../core/view.js').View} view @param {import('./shell.js').Shell} shell
   */
  constructor(model, shelf, session, view, shell) {
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.#notices = shell.notices;
    this.#stop = el('button', { type: 'button', class: 'stop', text: 'Stop', 'data-testid': 'survey-stop', operates: 'hide', onclick: () => shell.stopSignal() });
    this.#growing = new Growing(session, (playing) => (playing.length > 1 ? 'ink' : playing[0] === model.main ? 'k0' : 'k1'), (c) => session.channelName(c));
    this.#meters = new Meters(session, view);
    this.#astray = new Whereabouts(shell.notices);
    this.#progress = el('div', { class: 'running', hidden: true }, this.#far.bar, el('div', { class: 'row' }, this.#far.left, this.#stop), this.#growing.node, this.#meters.node, this.#far.tie);
    this.#off = session.on('frame', () => {
      if (!this.#progress.hidden) this.#meters.draw();
    });
    this.#microphone = new SeatMicrophone(session);
    this.#settings = this.#goal.node;
    this.#settings.append(this.#microphone.node, this.#allAtOnce);
    this.node = el('section', { class: 'surveyor', 'aria-label': 'Measure a seat' }, this.#astray.node, this.#start, this.#progress, this.#verify, this.#proofs, this.#settings, this.#reason, this.#hand);
  }

  close() {
    this.#off();
    this.#growing.close();
  }

  show() {
    const { survey } = this.#session;
    const seat = this.#model.seat;
    const { main, fill } = this.#model;
    const on = running(survey);
    const plays = !!survey && survey.plays.includes(main) && survey.plays.includes(fill);
    this.#start.hidden = on || !plays || !seat;
    const asks = survey?.state === 'asking';
    this.#astray.show(survey?.doubts ?? []);
    this.#progress.hidden = !on || asks;
    this.#want(on);
    this.#settings.hidden = on || !seat;
    const all = this.#everywhere();
    this.#allAtOnce.hidden = all.size < 2;
    say(this.#allAtOnce, `all ${all.size} microphones at once`);
    this.#allAtOnce.setAttribute('aria-pressed', String(this.#all));
    const where = this.#all && all.size > 1 ? `${all.size} seats` : (seat?.name ?? '');
    say(this.#startName, `Survey ${where}`);
    say(this.#caution, this.#goal.caution);
    this.#goal.show();
    say(this.#reason, plays || !survey || !main || !fill ? '' : survey.plays_reason || `The daemon cannot play ${[main, fill].filter((n) => !survey.plays.includes(n)).join(' and ')}: give the output channel under Loudspeakers, or take by hand.`);
    this.#microphone.show(seat, this.#all);
    this.#showHand(seat, on);
    this.#showProofs(seat, where, on, plays);
    if (survey) this.#follow(survey);
    this.#growing.follow();
  }

  /** Meters move while there is something to see on them. @param {boolean} on */
  #want(on) {
    const known = this.#session.state?.settings.microphones ?? [];
    const want = { frames_per_second: on ? METERS_FPS : IDLE_FPS, microphones: on ? known : known.slice(0, 1) };
    const key = JSON.stringify(want);
    if (!known.length || key === this.#wanted) return;
    this.#wanted = key;
    this.#session.want(want);
  }

  /** @param {Seat|null} seat @param {string} where @param {boolean} on @param {boolean} plays */
  #showProofs(seat, where, on, plays) {
    const { stored } = this.#model;
    this.#verify.hidden = on || !stored || !seat;
    say(this.#verifyName, `Verify the plan at ${where}`);
    say(this.#verifyCaution, plays ? this.#goal.caution : 'From what is measured now: both must play, with the plan dialled in.');
    const proofs = stored?.verified ?? [];
    const key = JSON.stringify(proofs.map((p) => [p.seat, p.take, p.pass]));
    if (this.#proofs.dataset.key === key) return;
    this.#proofs.dataset.key = key;
    this.#proofs.replaceChildren(...proofs.map((p) => el('li', { 'data-pass': p.pass, title: p.text, text: p.pass ? `✓ ${p.seat_name} holds: ${signed(p.gain_over_louder_db, 1)} dB, predicted ${signed((p.gain_over_louder_db ?? NaN) - (p.difference_db ?? NaN), 1)} dB` : `◆ ${p.text}` })));
  }

  async #prove() {
    const { seat, stored } = this.#model;
    if (!seat || !stored) return;
    const { survey } = this.#session;
    const plays = !!survey && survey.plays.includes(this.#model.main) && survey.plays.includes(this.#model.fill);
    await this.#notices.guard(ask('POST', '/api/v1/align/verify', { plan: stored.id, ...this.#where(seat), ...this.#goal.request, ...(plays ? {} : { by_hand: true }) }));
  }

  async #survey() {
    const { main, fill, seat } = this.#model;
    if (!seat) return;
    await this.#notices.guard(ask('POST', '/api/v1/survey', { ...this.#where(seat), main, fill, ...this.#goal.request }));
  }

  /** @param {Seat} seat */
  #where(seat) {
    const all = this.#everywhere();
    if (this.#all && all.size > 1) return { seats: Object.fromEntries(all) };
    const channel = this.#microphone.at(seat);
    return channel ? { seats: { [channel]: seat.id } } : { seat: seat.id };
  }

  /** Seats that have a microphone of their own name, by channel. */
  #everywhere() {
    const known = this.#session.state?.settings.microphones ?? [];
    return new Map(known.flatMap((c) => {
      const seat = this.#shelf.seats.find((s) => s.name === this.#session.channelName(c));
      return seat ? [/** @type {[number, number]} */ ([c, seat.id])] : [];
    }));
  }

  /** @param {Seat|null} seat @param {boolean} on */
  #showHand(seat, on) {
    const { main, fill } = this.#model;
    const key = JSON.stringify([seat?.id, main, fill, on]);
    this.#hand.hidden = on || !seat || !fill;
    if (this.#hand.dataset.key === key || !seat) return;
    this.#hand.dataset.key = key;
    const take = (/** @type {string} */ word, /** @type {string[]} */ playing, /** @type {string} */ id) => el('button', { type: 'button', text: word, 'data-testid': `hand-${id}`, operates: 'hide', onclick: () => void this.#shelf.take(seat, playing, this.#microphone.at(seat)) });
    this.#hand.replaceChildren(el('span', { class: 'word', text: 'Take by hand', operates: 'hide' }), take(main, [main], 'main'), take(fill, [fill], 'fill'), take('both', [main, fill], 'both'));
  }

  /** @param {Survey} survey */
  #follow(survey) {
    this.#far.follow(survey, this.#session.client);
    const before = this.#last;
    this.#last = survey.state;
    if (RUNNING.includes(before) && survey.state === 'done' && survey.purpose === 'survey' && survey.by === this.#session.client) this.#goOn(survey);
    if (RUNNING.includes(before) && (survey.state === 'failed' || survey.state === 'stopped')) this.#notices.say(survey.text);
  }

  /** The next seat that lacks something is under the thumb. @param {Survey} survey */
  #goOn(survey) {
    const next = this.#shelf.nextLacking([[survey.main], [survey.fill]], survey.seat);
    if (next) this.#model.setSeat(next.id);
  }
}
