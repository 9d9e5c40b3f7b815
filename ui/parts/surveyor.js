// @ts-check
// Measuring a seat: with the daemon's test signal, one press a seat; or by hand, for those who mute at the
// console. The caution stands on what starts the sound.

import { ask, refusal } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { RUNNING, running } from '../core/session.js';
import { Field } from './field.js';
import { Growing } from './growing.js';
import { Meters } from './meters.js';
import { Whereabouts } from './whereabouts.js';

/** @typedef {import('../core/types.js').Survey} Survey */
/** @typedef {import('../core/types.js').Seat} Seat */

const START_DBFS = -40;
const CAP_DBFS = -20;
// Nothing else on the page moves with the sound: the daemon may keep its frames, but for a sign of life.
const IDLE_FPS = 2;
const METERS_FPS = 10;

export class Surveyor {
  /** What the survey is to reach. */
  goal = { within_db: 1, low_hz: 0, high_hz: 0, level_dbfs: CAP_DBFS }; // edges of 0: what each loudspeaker plays
  #model;
  #shelf;
  #session;
  #notices;
  /** @type {Map<number, number>} channel of the microphone at each seat, where somebody chose */
  #chosen = new Map();
  #startName = el('strong');
  #caution = el('span');
  #start = el('button', { type: 'button', class: 'start', 'data-testid': 'survey', operates: 'hide', onclick: () => void this.#survey() }, this.#startName, this.#caution);
  #microphone = el('select', { 'aria-label': 'Microphone at this seat', 'data-testid': 'survey-mic', operates: 'hide', onchange: () => this.#choose() });
  #microphoneChoice = el('label', { class: 'choice' }, el('span', { text: 'microphone' }), this.#microphone);
  #fields;
  #settings;
  #plays = el('button', { type: 'button', text: 'what each plays', 'data-testid': 'survey-plays', operates: 'hide', onclick: () => {
    this.goal.low_hz = this.goal.high_hz = 0;
    this.show();
  } });
  #hand = el('div', { class: 'hand' });
  #reason = el('p', { class: 'remark' });
  #bar = el('div', { class: 'bar', role: 'progressbar', 'aria-valuemin': 0, 'aria-valuemax': 100 }, el('span'));
  #left = el('span', { 'data-testid': 'survey-left' });
  #progress;
  #growing;
  #meters;
  #astray;
  #stop;
  #tie = el('p', { class: 'remark' });
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
    this.#progress = el('div', { class: 'running', hidden: true }, this.#bar, el('div', { class: 'row' }, this.#left, this.#stop), this.#growing.node, this.#meters.node, this.#tie);
    this.#off = session.on('frame', () => {
      if (!this.#progress.hidden) this.#meters.draw();
    });
    const field = (/** @type {keyof Surveyor['goal']} */ key, /** @type {import('./field.js').FieldOptions} */ options) => new Field({ ...options, commit: (v) => {
      this.goal[key] = v;
      this.show();
    } });
    const none = () => {};
    this.#fields = {
      within_db: field('within_db', { label: 'Interval to reach', unit: 'dB', step: 0.1, least: 0.2, most: 6, digits: 1, testid: 'survey-within', commit: none }),
      low_hz: field('low_hz', { label: 'Sure from', step: 10, least: 20, most: 10000, digits: 0, testid: 'survey-low', commit: none }),
      high_hz: field('high_hz', { label: 'Sure up to', unit: 'Hz', step: 100, least: 40, most: 20000, digits: 0, testid: 'survey-high', commit: none }),
      level_dbfs: field('level_dbfs', { label: 'Level of the test signal, RMS', unit: 'dBFS', step: 1, least: -60, most: -6, digits: 0, testid: 'survey-level', commit: none }),
    };
    const word = (/** @type {string} */ text) => el('span', { class: 'word', text });
    this.#settings = el('div', { class: 'goal' },
      el('span', { class: 'choice' }, word('until ±'), this.#fields.within_db.node),
      el('span', { class: 'choice' }, word('from'), this.#fields.low_hz.node, word('to'), this.#fields.high_hz.node, this.#plays),
      el('span', { class: 'choice' }, word('at'), this.#fields.level_dbfs.node), this.#microphoneChoice, this.#allAtOnce);
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
    say(this.#tie, survey?.by === this.#session.client ? 'The sound stops when this page is closed, hangs for a second or loses the network. In a tab that is only hidden it goes on.' : 'The sound stops when the page that started it is closed.');
    this.#settings.hidden = on || !seat;
    const all = this.#everywhere();
    this.#allAtOnce.hidden = all.size < 2;
    say(this.#allAtOnce, `all ${all.size} microphones at once`);
    this.#allAtOnce.setAttribute('aria-pressed', String(this.#all));
    const where = this.#all && all.size > 1 ? `${all.size} seats` : (seat?.name ?? '');
    say(this.#startName, `Survey ${where}`);
    say(this.#caution, caution(this.goal.level_dbfs));
    for (const [key, f] of Object.entries(this.#fields)) f.show(this.goal[/** @type {keyof Surveyor['goal']} */ (key)] || null);
    this.#plays.setAttribute('aria-pressed', String(!this.goal.low_hz && !this.goal.high_hz));
    say(this.#reason, plays || !survey || !main || !fill ? '' : survey.plays_reason || `The daemon cannot play ${[main, fill].filter((n) => !survey.plays.includes(n)).join(' and ')}: give the output channel under Loudspeakers, or take by hand.`);
    this.#showMicrophones(seat);
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
    say(this.#verifyCaution, plays ? caution(this.goal.level_dbfs) : 'From what is measured now: both must play, with the plan dialled in.');
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
    await this.#notices.guard(ask('POST', '/api/v1/align/verify', { plan: stored.id, ...this.#where(seat), ...this.#how(), ...(plays ? {} : { by_hand: true }) }));
  }

  async #survey() {
    const { main, fill, seat } = this.#model;
    if (!seat) return;
    await this.#notices.guard(ask('POST', '/api/v1/survey', { ...this.#where(seat), main, fill, ...this.#how() }));
  }

  #how() {
    const { level_dbfs: level, ...goal } = this.goal;
    return { ...goal, level_dbfs: level, ...(level > CAP_DBFS ? { cap_dbfs: level } : {}) };
  }

  /** @param {Seat} seat */
  #where(seat) {
    const all = this.#everywhere();
    if (this.#all && all.size > 1) return { seats: Object.fromEntries(all) };
    const channel = this.#channel(seat);
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

  /** The microphone at a seat: as chosen, by its name, or the first. @param {Seat} seat */
  #channel(seat) {
    const known = this.#session.state?.settings.microphones ?? [];
    const chosen = this.#chosen.get(seat.id);
    if (chosen && known.includes(chosen)) return chosen;
    return known.find((c) => this.#session.channelName(c) === seat.name) ?? known[0] ?? 0;
  }

  #choose() {
    const seat = this.#model.seat;
    if (seat) this.#chosen.set(seat.id, Number(this.#microphone.value));
  }

  /** @param {Seat|null} seat */
  #showMicrophones(seat) {
    const known = this.#session.state?.settings.microphones ?? [];
    this.#microphoneChoice.hidden = known.length < 2 || !seat || this.#all;
    const names = known.map((c) => this.#session.channelName(c));
    const key = JSON.stringify([known, names]);
    if (this.#microphone.dataset.key !== key) {
      this.#microphone.dataset.key = key;
      this.#microphone.replaceChildren(...known.map((c, k) => el('option', { value: String(c), text: names[k] })));
    }
    if (seat) this.#microphone.value = String(this.#channel(seat));
  }

  /** @param {Seat|null} seat @param {boolean} on */
  #showHand(seat, on) {
    const { main, fill } = this.#model;
    const key = JSON.stringify([seat?.id, main, fill, on]);
    this.#hand.hidden = on || !seat || !fill;
    if (this.#hand.dataset.key === key || !seat) return;
    this.#hand.dataset.key = key;
    const take = (/** @type {string} */ word, /** @type {string[]} */ playing, /** @type {string} */ id) => el('button', { type: 'button', text: word, 'data-testid': `hand-${id}`, operates: 'hide', onclick: () => void this.#take(seat, playing, false) });
    this.#hand.replaceChildren(el('span', { class: 'word', text: 'Take by hand', operates: 'hide' }), take(main, [main], 'main'), take(fill, [fill], 'fill'), take('both', [main, fill], 'both'));
  }

  /** @param {Seat} seat @param {string[]} playing @param {boolean} force */
  async #take(seat, playing, force) {
    const name = `${playing.join(' + ')} at ${seat.name}`;
    try {
      await ask('POST', '/api/v1/show/takes', { seat: seat.id, playing, microphone: this.#channel(seat), name: playing.join(' + '), force });
      this.#notices.say(`Stored: ${name}.`);
    } catch (error) {
      const unsure = refusal(error) === 'unsure'; // nothing else can be forced
      this.#notices.say(error instanceof Error ? error.message : String(error), force || !unsure ? undefined : { label: 'Store it anyway', run: () => void this.#take(seat, playing, true) });
    }
  }

  /** @param {Survey} survey */
  #follow(survey) {
    const done = survey.steps ? (Math.max(0, survey.step - 1) + Math.min(1, survey.done)) / survey.steps : 0;
    const percent = Math.round(done * 100);
    /** @type {HTMLElement} */ (this.#bar.firstChild).style.transform = `scaleX(${done})`;
    this.#bar.setAttribute('aria-valuenow', String(percent));
    const level = survey.level_dbfs === null ? 'silent' : `${fixed(survey.level_dbfs, 0)} dBFS`;
    const left = survey.state === 'measuring' && survey.remaining_s !== null ? `about ${fixed(roundUp(survey.remaining_s), 0)} s left` : '';
    say(this.#left, [`${survey.step} of ${survey.steps}`, survey.playing.join(' + '), level, left].filter(Boolean).join(', '));
    const before = this.#last;
    this.#last = survey.state;
    if (RUNNING.includes(before) && survey.state === 'done' && survey.purpose === 'survey' && survey.by === this.#session.client) this.#goOn(survey);
    if (RUNNING.includes(before) && (survey.state === 'failed' || survey.state === 'stopped')) this.#notices.say(survey.text);
  }

  /** The next seat that lacks something is under the thumb. @param {Survey} survey */
  #goOn(survey) {
    const { seats, takes, loudspeakers } = this.#shelf;
    const wanted = loudspeakers.filter((l) => l.name === survey.main || l.name === survey.fill);
    const lacks = (/** @type {Seat} */ s) => s.id !== survey.seat && wanted.some((l) => !takes.some((t) => t.seat === s.id && t.loudspeakers.length === 1 && t.loudspeakers[0] === l.id));
    const k = seats.findIndex((s) => s.id === survey.seat);
    const next = [...seats.slice(k + 1), ...seats.slice(0, k)].find(lacks);
    if (next) this.#model.setSeat(next.id);
  }
}

/** A time to go is told in steps of 5 s from 10 s on, as the daemon's sentence does. @param {number} s */
const roundUp = (s) => (s < 10 ? Math.ceil(s) : 5 * Math.ceil(s / 5));

/** @param {number} level dBFS */
export function caution(level) {
  return level <= START_DBFS ? `Rises from silence to ${signed(level, 0)} dBFS. Keep ears and people away from the boxes.`
    : `Starts at ${signed(START_DBFS, 0)} dBFS and rises in 3 s to ${signed(level, 0)}. Keep ears and people away from the boxes.`;
}
