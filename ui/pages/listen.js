// @ts-check
// Listen: what the microphone hears now.

import { el } from '../core/dom.js';
import { bind } from '../core/keys.js';
import { Chooser } from '../parts/chooser.js';
import { Controls } from '../parts/controls.js';
import { DelayNumber } from '../parts/delay.js';
import { Impulse } from '../parts/impulse.js';
import { Meters } from '../parts/meters.js';
import { Painter } from '../parts/painter.js';
import { Reading } from '../parts/reading.js';
import { openSheet } from '../parts/sheet.js';
import { Spectrum } from '../parts/spectrum.js';
import { Tabs } from '../parts/tabs.js';
import { tables, take } from '../parts/take.js';
import { VerdictLine } from '../parts/verdict.js';

const PLOTS = /** @type {const} */ ([['magnitude', 'Magnitude'], ['phase', 'Phase'], ['impulse', 'Impulse']]);

export class ListenPage {
  #painter;
  #verdict;
  #spectrum;
  #impulse;
  #controls;
  #chooser;
  #evidence = el('div', { class: 'evidence', 'data-testid': 'evidence' });
  #tabs = new Tabs(this.#evidence, PLOTS, () => this.#painter.request());
  /** @type {(() => void)[]} */
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    const redraw = () => this.#painter.request();
    const flick = (/** @type {-1|1} */ step) => this.#tabs.turn(step);
    const from = () => ({ session, view, spectrum: this.#spectrum, impulse: this.#impulse });
    const table = () => openSheet('The numbers', tables(from()));
    this.#verdict = new VerdictLine(session, view);
    this.#spectrum = new Spectrum(session, view, { redraw, flick, table, save: (plot, kind) => take(from(), plot, kind) });
    this.#impulse = new Impulse(session, view, { redraw, flick, table, save: (kind) => take(from(), 'impulse', kind) });
    this.#controls = new Controls(session, shell.notices);
    this.#chooser = new Chooser(session, view);
    const delay = new DelayNumber(session, view, shell.notices);
    const meters = new Meters(session, view);
    const reading = new Reading(session, view, this.#spectrum);
    this.#spectrum.magnitudePanel.tools.append(this.#controls.node);
    const settings = el('button', { type: 'button', class: 'settings', text: 'Settings', onclick: () => openSheet('Settings', this.#controls.node) });
    this.#tabs.node.append(settings);
    this.#evidence.append(this.#tabs.node, this.#spectrum.node, this.#impulse.node);
    this.node = el('div', { class: 'page listen' }, this.#verdict.node,
      el('aside', { class: 'numbers', 'aria-label': 'Numbers' }, this.#chooser.node, delay.node, meters.node, reading.node), this.#evidence);

    this.#painter = new Painter(session, view, () => {
      this.#spectrum.draw();
      this.#impulse.draw();
      delay.draw();
      meters.draw();
      reading.draw();
    });
    const stale = () => {
      this.node.classList.toggle('stale', session.status.stale || !session.status.open);
      this.node.classList.toggle('held', session.state?.settings.hold ?? false);
    };
    const want = () => session.want({ frames_per_second: 20, microphones: view.all ? [] : [view.front(session.state?.settings.microphones ?? [])].filter(Boolean) });
    this.#off = [
      session.on('status', stale), session.on('state', () => {
        stale();
        want();
        redraw();
      }),
      view.onChange(() => this.#follow(view.light?.about)),
      view.onChange(onlyIfChanged(() => `${view.all} ${view.primary}`, want)),
      bind(this.#keys(session, view)),
    ];
    stale();
    want();
    redraw();
  }

  close() {
    for (const off of this.#off) off();
    this.#painter.close();
    this.#verdict.close();
    this.#spectrum.close();
    this.#impulse.close();
    this.#controls.close();
    this.#chooser.close();
  }

  plots() {
    return { ...this.#spectrum.plots, impulse: this.#impulse.plot };
  }

  /**
   * @param {import('../core/session.js').Session} session
   * @param {import('../core/view.js').View} view
   */
  #keys(session, view) {
    const move = (/** @type {number} */ octaves) => view.setAt(Math.min(20000, Math.max(20, view.at * 2 ** octaves)));
    return [
      { key: 'ArrowLeft ArrowRight', says: 'Plumb line by 1/48 octave', run: (/** @type {KeyboardEvent} */ e) => move(e.key === 'ArrowLeft' ? -1 / 48 : 1 / 48) },
      { key: 'Shift+ArrowLeft Shift+ArrowRight', says: 'Plumb line by a third of an octave', run: (/** @type {KeyboardEvent} */ e) => move(e.key === 'ArrowLeft' ? -1 / 3 : 1 / 3) },
      { key: '+', says: 'Zoom in', run: () => this.#spectrum.zoom(0.7) },
      { key: '-', says: 'Zoom out', run: () => this.#spectrum.zoom(1 / 0.7) },
      { key: 'w', says: 'Whole range', run: () => this.#spectrum.home() },
      { key: 'm M', says: 'Next microphone; with Shift the one before', run: (/** @type {KeyboardEvent} */ e) => this.#chooser.step(e.key === 'm' ? 1 : -1) },
      { key: 'o', says: 'The other microphones as well, or not', run: () => view.setAll(!view.all) },
      { key: 'a A', says: 'Average longer; with Shift shorter', run: (/** @type {KeyboardEvent} */ e) => this.#controls.stepAveraging(e.key === 'a' ? 1 : -1) },
      { key: 's S', says: 'Smoother; with Shift finer', run: (/** @type {KeyboardEvent} */ e) => this.#controls.stepSmoothing(e.key === 's' ? 1 : -1) },
      { key: 'h', says: 'Hold what is shown, and go on', run: () => this.#controls.toggleHold() },
      { key: 'x', says: 'Start the averages anew', run: () => this.#controls.startAnew() },
      { key: 't', says: 'The numbers as a table', run: () => openSheet('The numbers', tables({ session, view, spectrum: this.#spectrum, impulse: this.#impulse })) },
    ];
  }

  /** A phrase was touched: its evidence comes into view. @param {string|undefined} about */
  #follow(about) {
    if (!about || !matchMedia('(max-width: 639px)').matches) return;
    if (/^(arrival|delay|distance)/.test(about)) this.#tabs.show('impulse');
    else if (about === 'polarity') this.#tabs.show('phase');
    else if (about === 'trusted' || about === 'known' || about === 'comb' || about === 'level') this.#tabs.show('magnitude');
  }
}

/** @param {() => string} key @param {() => void} run */
function onlyIfChanged(key, run) {
  let last = key();
  return () => {
    if (key() === last) return;
    last = key();
    run();
  };
}
