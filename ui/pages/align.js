// @ts-check
// Align: from takes to a plan, with an account of every decibel and a proof.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { bind } from '../core/keys.js';
import { AlignModel, MOST_SPREAD_CM } from '../parts/alignmodel.js';
import { LIGHTS, lower, words } from '../parts/alignwords.js';
import { Awaited } from '../parts/awaited.js';
import { Boxes } from '../parts/boxes.js';
import { Dials } from '../parts/dials.js';
import { Field } from '../parts/field.js';
import { Matrix } from '../parts/matrix.js';
import { Painter } from '../parts/painter.js';
import { Sentence } from '../parts/sentence.js';
import { SeatMap } from '../parts/seatmap.js';
import { openSheet } from '../parts/sheet.js';
import { Shelf } from '../parts/shelf.js';
import { Slopes } from '../parts/slopes.js';
import { SumPlots } from '../parts/sumplots.js';
import { Surveyor } from '../parts/surveyor.js';
import { Sweep } from '../parts/sweep.js';
import { saveSum, saveSweep, sumTable } from '../parts/alignexport.js';
import { trouble } from '../parts/verdict.js';
import { Waterfall } from '../parts/waterfall.js';

const PARTS = /** @type {const} */ ([['seats', 'Seats'], ['sweep', 'Delay'], ['sum', 'Sum'], ['ledger', 'Ledger'], ['dials', 'Dial']]);

const MANY_SEATS = 8; // under so many rows, what measures a seat is out of sight: it comes before them

export class AlignPage {
  #session;
  #model;
  #shelf;
  #painter;
  #sentence;
  #matrix;
  #surveyor;
  #sweep;
  #sum;
  #slopes;
  #waterfall;
  #dials;
  #map;
  #boxes;
  #awaited = new Awaited([
    { title: 'Sum over delay', text: 'How much of the sum arrives at each seat, today, with the plan and at any delay between.', part: 5 },
    { title: 'Magnitude', text: 'Each loudspeaker alone, both together, and what the plan predicts.', part: 5 },
    { title: 'Phase between the two', text: 'Where they add, and where they lose.', part: 3 },
  ]);
  #pair = el('div', { class: 'pair' });
  #main = el('select', { 'aria-label': 'Loudspeaker that stays', 'data-testid': 'pair-main', onchange: () => this.#choosePair() });
  #fill = el('select', { 'aria-label': 'Loudspeaker that is aligned to it', 'data-testid': 'pair-fill', onchange: () => this.#choosePair() });
  #aim = el('button', { type: 'button', 'data-testid': 'aim', onclick: () => this.#model.setHow({ aim: this.#model.aim === 'mean' ? 'worst' : 'mean' }) });
  #gain = el('button', { type: 'button', text: 'Gain too', 'data-testid': 'gain-too', onclick: () => this.#model.setHow({ gain: !this.#model.gain }) });
  #spread;
  #low;
  #high;
  #found = el('button', { type: 'button', text: 'Found', 'data-testid': 'band-found', onclick: () => this.#model.setHow({ band: null }) });
  #tabs = el('div', { class: 'tabs', role: 'group', 'aria-label': 'Part of the page' });
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    this.#session = session;
    const redraw = () => this.#painter.request();
    this.#shelf = new Shelf(session, shell.notices);
    this.#model = new AlignModel(this.#shelf, session, shell.notices);
    this.#sentence = new Sentence(view, LIGHTS, () => this.#figures());
    this.#boxes = new Boxes(this.#shelf, session);
    this.#matrix = new Matrix(this.#model, this.#shelf, session, () => openSheet('Loudspeakers', this.#boxes.node));
    this.#surveyor = new Surveyor(this.#model, this.#shelf, session, view, shell);
    const from = () => ({ model: this.#model, session, sweep: this.#sweep, sum: this.#sum });
    const table = () => openSheet('The numbers', sumTable(from()));
    this.#sweep = new Sweep(this.#model, redraw, (kind) => saveSweep(from(), kind), table);
    this.#sum = new SumPlots(this.#model, view, session, { redraw, save: (plot, kind) => saveSum(from(), plot, kind), table });
    this.#slopes = new Slopes(this.#model, redraw);
    this.#waterfall = new Waterfall(view);
    this.#dials = new Dials(this.#model, session, shell.notices);
    this.#map = new SeatMap(this.#model, this.#shelf, session, shell.notices);
    const edge = (/** @type {string} */ label, /** @type {string} */ testid, /** @type {0|1} */ k, /** @type {string} */ unit) => new Field({ label, unit, step: 10, least: 20, most: 20000, digits: 0, testid, commit: (v) => this.#setBand(k, v) });
    this.#low = edge('Lower edge of the band', 'band-low', 0, '');
    this.#high = edge('Upper edge of the band', 'band-high', 1, 'Hz');
    this.#spread = new Field({ label: 'How far heads are about the microphone, centimetres', unit: 'cm', step: 1, least: 0, most: MOST_SPREAD_CM, digits: 0, testid: 'spread', commit: (v) => this.#model.setHow({ spreadCM: v }) });
    this.#sweep.heads.append(this.#spread.node);
    this.#sweep.tools.append(el('span', { class: 'choice' }, el('span', { text: 'for' }), this.#aim), this.#gain);
    this.#sum.chart.magnitudePanel.tools.append(el('span', { class: 'choice' }, el('span', { text: 'band' }), this.#low.node, el('span', { text: 'to' }), this.#high.node, this.#found));
    this.#pair.append(this.#main, el('span', { text: 'and' }), this.#fill);
    for (const [id, name] of PARTS) this.#tabs.append(el('button', { type: 'button', text: name, 'data-shows': id, onclick: () => this.#showPart(id) }));
    this.node = el('div', { class: 'page align' }, this.#sentence.node, this.#tabs,
      el('section', { class: 'survey', 'aria-label': 'Seats' }, this.#pair, this.#matrix.node, this.#surveyor.node, this.#map.node),
      el('div', { class: 'evidence' }, this.#sweep.node, this.#sum.node), this.#awaited.node, this.#slopes.node,
      el('aside', { class: 'account', 'aria-label': 'Settings and ledger' }, this.#dials.node, this.#waterfall.node));
    this.#showPart('seats');

    this.#model.onChange = (what) => {
      if (what === 'answer') this.#show();
      this.#matrix.follow();
      this.#dials.follow();
      this.#map.show();
      redraw();
    };
    this.#shelf.onChange = () => {
      this.#boxes.show();
      void this.#model.ask();
    };
    this.#painter = new Painter(session, view, () => this.#draw(), false);
    const show = () => this.#show();
    this.#off = [
      session.on('survey', show), session.on('state', show), session.on('show', show), session.on('rig', () => {
        show();
        void this.#model.ask();
      }), session.on('status', show),
      view.onChange(() => this.#follow(view.light?.about)),
      bind([
        { key: 'ArrowUp ArrowDown', says: 'The seat above or below', run: (/** @type {KeyboardEvent} */ e) => this.#step(e.key === 'ArrowUp' ? -1 : 1) },
        { key: 'p', says: 'Back to the plan', run: () => this.#model.backToPlan() },
        { key: 'v', says: 'Turn the fill over', run: () => this.#model.set({ sign: this.#model.setting.sign < 0 ? 1 : -1 }) },
        { key: 'w', says: 'Whole range', run: () => {
          this.#sum.chart.home();
          this.#sweep.home();
        } },
      ]),
    ];
    this.#show();
  }

  close() {
    for (const off of this.#off) off();
    this.#painter.close();
    this.#sum.close();
    this.#slopes.close();
    this.#sweep.close();
    this.#waterfall.close();
    this.#map.close();
    this.#surveyor.close();
    this.#model.close();
    this.#shelf.close();
  }

  plots() {
    return { ...this.#sum.plots, sweep: this.#sweep.plot };
  }

  /** For tests: what is computed here. */
  get model() {
    return this.#model;
  }

  #draw() {
    this.#sweep.draw();
    this.#sum.draw();
    this.#slopes.draw();
  }

  #show() {
    const { answer } = this.#model;
    const says = words(this.#model, this.#shelf, this.#session);
    this.#sentence.show({ ...says, trouble: trouble(this.#session) });
    const missing = says.parts.find((p) => p.about === 'missing')?.text ?? says.headline ?? '';
    this.#awaited.show(!answer?.plan && this.#shelf.known, `Next: ${lower(missing.replace(/^Next: /, ''))}`);
    this.#showPair();
    this.#matrix.show();
    this.#surveyor.show();
    this.#dials.show();
    this.#map.show();
    this.#waterfall.show(this.#model.account, this.#model.spreadCM);
    this.node.classList.toggle('stale', !this.#session.status.open);
    this.node.classList.toggle('many', this.#shelf.seats.length > MANY_SEATS);
    this.node.dataset.known = String(!!answer?.plan);
    say(this.#aim, this.#model.aim === 'worst' ? 'the worst' : 'the mean');
    this.#gain.setAttribute('aria-pressed', String(this.#model.gain));
    this.#spread.show(this.#model.spreadCM);
    this.#low.show(answer?.band_hz[0]);
    this.#high.show(answer?.band_hz[1]);
    this.#found.setAttribute('aria-pressed', String(answer?.band_found ?? true));
    this.#painter.request();
  }

  #showPair() {
    const names = this.#shelf.loudspeakers.map((l) => l.name);
    const { main, fill } = this.#model;
    this.#pair.hidden = names.length < 2;
    const key = JSON.stringify([names, main]);
    if (this.#pair.dataset.key !== key) {
      this.#pair.dataset.key = key;
      this.#main.replaceChildren(...names.map((name) => el('option', { value: name, text: name })));
      this.#fill.replaceChildren(...names.filter((name) => name !== main).map((name) => el('option', { value: name, text: name })));
    }
    this.#main.value = main;
    this.#fill.value = fill;
  }

  #choosePair() {
    this.#model.setPair(this.#main.value, this.#fill.value === this.#main.value ? '' : this.#fill.value);
  }

  /** @param {0|1} edge @param {number} hz */
  #setBand(edge, hz) {
    const now = this.#model.answer?.band_hz;
    if (!now?.length) return;
    const band = /** @type {[number, number]} */ ([...now]);
    band[edge] = hz;
    if (band[0] < band[1]) this.#model.setHow({ band });
    else this.#show();
  }

  /** @param {-1|1} by */
  #step(by) {
    const { seats } = this.#shelf;
    if (!seats.length) return;
    const k = seats.findIndex((s) => s.id === this.#model.seat?.id);
    this.#model.setSeat(seats[(k + by + seats.length) % seats.length].id);
  }

  /** One part at a time on a phone. @param {string} name */
  #showPart(name) {
    this.node.dataset.shows = name;
    for (const tab of this.#tabs.children) tab.setAttribute('aria-pressed', String(tab.getAttribute('data-shows') === name));
    this.#painter?.request();
  }

  /** A phrase was touched: its evidence comes into view. @param {string|undefined} about */
  #follow(about) {
    this.#dials.node.classList.toggle('lit', about === 'dial');
    this.#sweep.node.querySelector('.reach')?.classList.toggle('lit', about === 'reach');
    this.#surveyor.node.classList.toggle('lit', about === 'proof' || about === 'survey');
    this.#matrix.node.classList.toggle('lit', about === 'missing' || about === 'seat');
    this.#slopes.node.classList.toggle('lit', about === 'slopes');
    if (!about || !matchMedia('(max-width: 719px)').matches) return;
    if (about.startsWith('cause') || about === 'ledger') this.#showPart('ledger');
    else if (about === 'slopes') this.#showPart('sum');
    else if (about === 'dial' || about === 'proof') this.#showPart('dials');
    else if (about === 'reach') this.#showPart('sweep');
    else if (about === 'missing' || about === 'seat' || about === 'survey') this.#showPart('seats');
  }

  /** The figures behind the word. */
  #figures() {
    const seat = this.#model.account;
    const { answer } = this.#model;
    if (!seat || !answer) return '';
    return [
      `The sum is ${signed(seat.gain_over_louder_db, 2)} dB over the louder one, 95 % interval ${signed(seat.gain_low_db, 2)} to ${signed(seat.gain_high_db, 2)} dB${seat.predicted ? ', predicted from the two alone' : ''}.`,
      `Air ${fixed(answer.temperature_c, 1)} °C.`, ...answer.reasons,
    ].join(' ');
  }
}
