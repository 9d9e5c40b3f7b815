// @ts-check
// The one button: it surveys this seat where the daemon plays, and takes what plays where it cannot; while it
// sounds it is what ends it. The caution stands on it.

import { ask } from '../core/api.js';
import { Awake } from '../core/awake.js';
import { el, say } from '../core/dom.js';
import { running } from '../core/session.js';
import { Goal } from './goal.js';
import { Growing } from './growing.js';
import { Progress } from './progress.js';
import { SeatMicrophone } from './seatmicrophone.js';
import { openSheet } from './sheet.js';
import { upper } from './alignwords.js';
import { away } from './walkwords.js';
import { Whereabouts } from './whereabouts.js';

export class WalkAct {
  #which;
  #model;
  #shelf;
  #session;
  #notices;
  #goal;
  microphone;
  #name = el('strong');
  #caution = el('span');
  #act = el('button', { type: 'button', class: 'start', 'data-testid': 'act', operates: 'hide', onclick: () => void this.#do() }, this.#name, this.#caution);
  #stop;
  #far = new Progress();
  #growing;
  #progress;
  #astray;
  #plays = el('div', { class: 'plays', role: 'group', 'aria-label': 'What plays now', operates: 'hide' });
  #reason = el('p', { class: 'remark' });
  /** What of it plays, where somebody said so. */
  #playing = '';
  #busy = false;
  #awake = new Awake();
  #set = el('div', { class: 'walk-settings' });
  /** Opens what is set seldom. */
  settings = el('button', { type: 'button', 'data-testid': 'walk-settings', operates: 'hide', onclick: () => openSheet('How to measure', this.#set) });
  node;

  /**
   * @param {import('./whichseat.js').WhichSeat} which @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf
   * @param {import('../core/session.js').Session} session @param {import('./shell.js').Shell} shell @param {() => void} changed
   */
  constructor(which, model, shelf, session, shell, changed) {
    this.#which = which;
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.#notices = shell.notices;
    this.#goal = new Goal(changed);
    this.microphone = new SeatMicrophone(session, changed);
    this.#set.append(this.#goal.node, this.microphone.node);
    this.#stop = el('button', { type: 'button', class: 'stop', 'data-testid': 'act-stop', operates: 'hide', onclick: () => shell.stopSignal() }, el('strong', { text: 'Stop' }), this.#far.tie);
    this.#growing = new Growing(session, (playing) => (playing.length > 1 ? 'ink' : playing[0] === model.main ? 'k0' : 'k1'), (c) => session.channelName(c));
    this.#progress = el('div', { class: 'running', hidden: true }, this.#growing.node, this.#far.bar, this.#far.left, this.#stop);
    this.#astray = new Whereabouts(shell.notices);
    this.node = el('section', { class: 'walk-act', 'aria-label': 'Measure this seat' }, this.#astray.node, this.#progress, this.#reason, this.#plays, this.#act);
  }

  close() {
    this.#growing.close();
    this.#awake.keep(false);
  }

  show() {
    const { survey } = this.#session;
    const { here } = this.#which;
    const on = running(survey);
    const gone = away(this.#session);
    this.#astray.show(survey?.doubts ?? []);
    this.#progress.hidden = !on || survey?.state === 'asking';
    this.#awake.keep(on && survey?.by === this.#session.client);
    if (survey) this.#far.follow(survey, this.#session.client);
    if (this.#growing.node.checkVisibility()) this.#growing.follow(); // there is no room for it on a phone
    this.#goal.show();
    this.microphone.show(here);
    this.#goal.node.hidden = !this.#sounds;
    say(this.settings, this.#sounds ? this.#goal.inShort : 'Microphone');
    this.settings.hidden = !here || (!this.#sounds && this.microphone.node.hidden);
    this.#showPlays();
    this.#act.hidden = on || !this.#which.wanted.length;
    this.#act.disabled = gone || this.#busy;
    this.#stop.disabled = gone;
    const [name, caution] = this.#says();
    say(this.#name, name);
    say(this.#caution, gone ? 'No connection: it comes back by itself.' : caution);
    say(this.#reason, !on && here && !this.#sounds && survey?.plays_reason ? `${survey.plays_reason.replace(/\.$/, '')}. So play and mute at the console.` : '');
  }

  /** Can the daemon play both? */
  get #sounds() {
    const { survey } = this.#session;
    const { main, fill } = this.#model;
    return !!survey && !!fill && survey.plays.includes(main) && survey.plays.includes(fill);
  }

  /** What is said to play: as chosen, or the first that is missing here. @returns {string[]} */
  get #plain() {
    const { wanted, here } = this.#which;
    return wanted.find((playing) => playing.join() === this.#playing) ?? (here && this.#which.lacks(here)[0]) ?? wanted[0] ?? [];
  }

  /** Its name and its caution. @returns {[string, string]} */
  #says() {
    const { here } = this.#which;
    if (!here) return ['Add a seat', 'Here, where you stand with the microphone.'];
    if (this.#sounds) return [`Survey ${here.name}${this.#which.lacks(here).length ? '' : ' again'}`, this.#goal.caution];
    return [`Take ${word(this.#plain)} at ${here.name}`, 'Stores what is heard now, and starts no sound.'];
  }

  #showPlays() {
    const { here, wanted } = this.#which;
    this.#plays.hidden = running(this.#session.survey) || this.#sounds || !here || wanted.length < 2;
    const now = this.#plain.join();
    const key = JSON.stringify([wanted, now]);
    if (this.#plays.dataset.key === key) return;
    this.#plays.dataset.key = key;
    this.#plays.replaceChildren(el('span', { class: 'word', text: 'What plays now' }), ...wanted.map((playing, k) => el('button', { type: 'button', text: upper(word(playing)), 'data-testid': `plays-${playing.length > 1 ? 'both' : k ? 'fill' : 'main'}`, 'aria-pressed': String(playing.join() === now), onclick: () => {
      this.#playing = playing.join();
      this.show();
    } })));
  }

  async #do() {
    const { here } = this.#which;
    const { main, fill } = this.#model;
    if (this.#busy) return; // a thumb that trembles
    this.#busy = true;
    this.show();
    if (!here) await this.#shelf.addSeat();
    else if (this.#sounds) {
      const channel = this.microphone.at(here);
      await this.#notices.guard(ask('POST', '/api/v1/survey', { ...(channel ? { seats: { [channel]: here.id } } : { seat: here.id }), main, fill, ...this.#goal.request }));
    } else {
      await this.#shelf.take(here, this.#plain, this.microphone.at(here));
      this.#playing = '';
    }
    this.#busy = false;
    this.show();
  }
}

/** @param {string[]} playing */
const word = (playing) => (playing.length > 1 ? 'both' : (playing[0] ?? ''));
