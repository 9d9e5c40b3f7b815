// @ts-check
// Walk: seat after seat with the page in one hand. What was found, the next thing to do, and one button under the thumb.

import { el } from '../core/dom.js';
import { bind } from '../core/keys.js';
import { running } from '../core/session.js';
import { AlignModel } from '../parts/alignmodel.js';
import { HereNow } from '../parts/herenow.js';
import { SeatLine } from '../parts/seatline.js';
import { SeatMap } from '../parts/seatmap.js';
import { Sentence } from '../parts/sentence.js';
import { Shelf } from '../parts/shelf.js';
import { Standing } from '../parts/standing.js';
import { trouble } from '../parts/verdict.js';
import { WalkAct } from '../parts/walkact.js';
import { LIGHTS, away, words } from '../parts/walkwords.js';
import { WhichSeat } from '../parts/whichseat.js';

const FPS = 5; // digits that can be read, on a battery

export class WalkPage {
  #session;
  #model;
  #shelf;
  #which;
  #sentence;
  #line;
  #map;
  #now;
  #standing;
  #act;
  #wanted = '';
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    const show = () => this.#show();
    this.#session = session;
    this.#shelf = new Shelf(session, shell.notices);
    this.#model = new AlignModel(this.#shelf, session, shell.notices);
    this.#which = new WhichSeat(this.#model, this.#shelf, session);
    this.#sentence = new Sentence(view, LIGHTS, () => this.#figures());
    this.#now = new HereNow(session);
    this.#standing = new Standing(this.#model, this.#shelf, session);
    this.#act = new WalkAct(this.#which, this.#model, this.#shelf, session, shell, show);
    this.#line = new SeatLine(this.#which, this.#model, this.#shelf, session, show, this.#act.settings);
    this.#map = new SeatMap(this.#model, this.#shelf, session, shell.notices, { here: () => this.#which.here, go: (id) => this.#go(id), says: (seat) => seat.name });
    this.node = el('div', { class: 'page walk' }, this.#sentence.node, this.#now.node, this.#line.node, this.#map.node, this.#act.node);
    this.#model.onChange = show;
    this.#shelf.onChange = () => void this.#model.ask();
    this.#off = [
      session.on('survey', () => {
        this.#which.follow();
        show();
      }),
      ...(/** @type {const} */ (['hello', 'state', 'show', 'status'])).map((topic) => session.on(topic, show)),
      session.on('frame', () => (this.#standing.follow(this.#which.here, this.#act.microphone.at(this.#which.here)) ? this.#show() : this.#draw())),
      view.onChange(() => this.#light(view.light?.about)),
      bind([
        { key: 'ArrowUp ArrowDown', says: 'The seat before or after', run: (/** @type {KeyboardEvent} */ e) => this.#step(e.key === 'ArrowUp' ? -1 : 1) },
      ]),
    ];
    this.#which.follow();
    show();
  }

  close() {
    for (const off of this.#off) off();
    this.#act.close();
    this.#map.close();
    this.#model.close();
    this.#shelf.close();
  }

  plots() {
    return {};
  }

  /** For tests: what the seats are aligned by. */
  get model() {
    return this.#model;
  }

  #show() {
    const gone = away(this.#session);
    this.#sentence.show({ ...words(this.#which, this.#model, this.#shelf, this.#session, this.#standing.astray), trouble: gone ? '' : trouble(this.#session) });
    this.#line.show();
    this.#map.show();
    this.#act.show();
    this.node.classList.toggle('stale', gone);
    this.node.classList.toggle('sounds', running(this.#session.survey));
    this.#want();
    this.#draw();
  }

  #draw() {
    this.#now.draw(this.#act.microphone.at(this.#which.here));
  }

  /** No more than what is shown. */
  #want() {
    const channel = this.#act.microphone.at(this.#which.here);
    const key = String(channel);
    if (!channel || key === this.#wanted) return;
    this.#wanted = key;
    this.#session.want({ frames_per_second: FPS, microphones: [channel] });
  }

  /** @param {-1|1} by */
  #step(by) {
    const seat = this.#which.beside(by);
    if (seat) this.#go(seat.id);
  }

  /** @param {number} id */
  #go(id) {
    this.#which.choose(id);
    this.#show();
  }

  /** A phrase was touched. @param {string|undefined} about */
  #light(about) {
    this.#act.node.classList.toggle('lit', about === 'act');
    this.#line.node.classList.toggle('lit', about === 'seat');
  }

  /** The figures behind the word. */
  #figures() {
    const { answer } = this.#model;
    const { astray } = this.#standing;
    if (astray) return `The delay now is ${astray.apart.toFixed(0)} standard deviations from those of ${astray.seat.name}: of its own error, of theirs, of 10 cm of place and of the air.`;
    const seat = answer?.seats.find((s) => s.seat === (this.#which.found ?? this.#which.here)?.id);
    if (!seat) return '';
    const [low, high] = [seat.gain_low_db, seat.gain_high_db].map((v) => (v === null ? '–' : v.toFixed(2)));
    return `95 % interval of the sum at ${seat.name}: ${low} to ${high} dB over the louder one${seat.predicted ? ', predicted from the two alone' : ''}.`;
  }
}
