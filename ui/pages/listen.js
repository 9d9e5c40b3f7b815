// @ts-check
// Listen: what the microphone hears now.

import { el, say } from '../core/dom.js';
import { CURVE } from '../core/frames.js';
import { bind } from '../core/keys.js';
import { targetOn } from '../core/target.js';
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
import { TargetEditor } from '../parts/targeteditor.js';
import { TargetSheet } from '../parts/targetsheet.js';
import { Calm, judge, words } from '../parts/targetwords.js';
import { TraceBar } from '../parts/tracebar.js';
import { FORMS, TraceCurves } from '../parts/tracecurves.js';
import { TraceStore } from '../parts/tracestore.js';
import { VerdictLine } from '../parts/verdict.js';

const PLOTS = /** @type {const} */ ([['magnitude', 'Magnitude'], ['phase', 'Phase'], ['impulse', 'Impulse']]);

export class ListenPage {
  #painter;
  #session;
  #view;
  #verdict;
  #spectrum;
  #impulse;
  #store;
  #traces;
  #bar;
  #target;
  #editor;
  #calm = new Calm();
  #says = el('p', { class: 'target-says', role: 'status', 'data-testid': 'target-says' });
  #lower = el('select', { 'aria-label': 'What the lower plot shows', 'data-testid': 'lower', onchange: () => (this.#traces.form = /** @type {import('../parts/tracecurves.js').Form} */ (this.#lower.value)) },
    ...FORMS.map(([value, text]) => el('option', { value, text })));
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
    this.#store = new TraceStore(session, shell.notices);
    this.#traces = new TraceCurves(session, this.#store);
    this.#spectrum = new Spectrum(session, view, { redraw, flick, table, traces: this.#traces, save: (plot, kind) => take(from(), plot, kind) });
    this.#impulse = new Impulse(session, view, { redraw, flick, table, traces: this.#store, save: (kind) => take(from(), 'impulse', kind) });
    this.#editor = new TargetEditor(this.#store, this.#spectrum.plots.magnitude, this.#spectrum.magnitudePanel.host, redraw);
    this.#target = new TargetSheet(this.#store, {
      fit: (target) => this.#fit(target ?? this.#store.target),
      draw: () => {
        this.#tabs.show('magnitude');
        this.#editor.start();
      },
    });
    this.#bar = new TraceBar(this.#store, this.#traces, { microphone: () => view.front(session.state?.settings.microphones ?? []), openTarget: () => this.#target.open(), says: this.#says });
    this.#session = session;
    this.#view = view;
    this.#controls = new Controls(session, shell.notices);
    this.#chooser = new Chooser(session, view);
    const delay = new DelayNumber(session, view, shell.notices);
    const meters = new Meters(session, view);
    const reading = new Reading(session, view, this.#spectrum);
    this.#spectrum.magnitudePanel.tools.append(this.#controls.node);
    this.#spectrum.phasePanel.tools.append(this.#lower);
    this.#spectrum.magnitudePanel.node.append(this.#editor.node);
    this.#lower.value = this.#traces.form;
    const settings = el('button', { type: 'button', class: 'settings', text: 'Settings', onclick: () => openSheet('Settings', this.#controls.node) });
    this.#tabs.node.append(settings);
    this.#evidence.append(this.#tabs.node, this.#bar.node, this.#spectrum.node, this.#impulse.node);
    this.node = el('div', { class: 'page listen' }, this.#verdict.node,
      el('aside', { class: 'numbers', 'aria-label': 'Numbers' }, this.#chooser.node, delay.node, meters.node, reading.node), this.#evidence);

    this.#painter = new Painter(session, view, () => {
      this.#spectrum.draw();
      this.#impulse.draw();
      this.#editor.show();
      this.#judge();
      delay.draw();
      meters.draw();
      reading.draw();
    });
    const stale = () => {
      this.node.classList.toggle('stale', session.status.stale || !session.status.open);
      this.node.classList.toggle('held', session.state?.settings.hold ?? false);
    };
    this.#store.onChange = () => {
      this.#bar.show();
      this.#target.show();
      redraw();
    };
    let minus = this.#traces.minus;
    this.#traces.onChange = () => {
      if (minus !== this.#traces.minus) this.#spectrum.levelAnew();
      minus = this.#traces.minus;
      this.#lower.value = this.#traces.form;
      this.#bar.show();
      redraw();
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
    this.#store.close();
  }

  /** For tests: what is stored and drawn. */
  get stored() {
    return { store: this.#store, curves: this.#traces, drawn: this.#spectrum.all() };
  }

  /** For tests: the impulse response as it is drawn. */
  get impulseShapes() {
    return this.#impulse.shapes(this.#session.frame.curve(this.#view.front(this.#session.state?.settings.microphones ?? []), CURVE.impulse));
  }

  /** Lays a target where the live trace is: what they are apart in the middle of the trusted points is its offset. @param {import('../core/types.js').Target|null} target */
  #fit(target) {
    const live = this.#spectrum.front;
    if (!target) return;
    const { mid } = targetOn({ ...target, offset_db: 0 }, this.#session.grid);
    const apart = live.db.flatMap((v, i) => {
      const t = mid[i];
      return v === null || t == null || !((live.coherence[i] ?? -1) >= (live.threshold[i] ?? Infinity)) ? [] : [v - t];
    }).sort((a, b) => a - b);
    if (apart.length) void this.#store.changeTarget(target, { offset_db: Number(apart[apart.length >> 1].toFixed(1)) });
  }

  /** Says where the live trace leaves the band about the target. */
  #judge() {
    const { target } = this.#store;
    this.#says.hidden = !target;
    if (!target || !this.#session.grid.length || !this.#session.frame.seq) return;
    const { grid } = this.#traces;
    const live = this.#traces.thin(this.#spectrum.front);
    const { mid } = targetOn(target, grid);
    const j = judge(grid, { xs: [], mid: live.db, low: live.low, high: live.high, coherence: live.coherence, threshold: live.threshold }, mid, target.tolerance_db);
    if (this.#calm.news(j, JSON.stringify([target, this.#view.primary]), performance.now())) say(this.#says, words(j, target.tolerance_db, target.name));
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
      { key: 'a A', operates: true, says: 'Average longer; with Shift shorter', run: (/** @type {KeyboardEvent} */ e) => this.#controls.stepAveraging(e.key === 'a' ? 1 : -1) },
      { key: 's S', operates: true, says: 'Smoother; with Shift finer', run: (/** @type {KeyboardEvent} */ e) => this.#controls.stepSmoothing(e.key === 's' ? 1 : -1) },
      { key: 'h', operates: true, says: 'Hold what is shown, and go on', run: () => this.#controls.toggleHold() },
      { key: 'x', operates: true, says: 'Start the averages anew', run: () => this.#controls.startAnew() },
      { key: 'k', operates: true, says: 'Store the live trace', run: () => this.#bar.storeNow() },
      { key: '1 2 3 4 5 6 7 8 9', operates: true, says: 'Show or hide the stored trace of that number', run: (/** @type {KeyboardEvent} */ e) => this.#bar.toggle(Number(/\d/.exec(e.code)?.[0] ?? e.key)) },
      { key: 'd D', says: 'Live minus a stored trace, or not; with Shift the next trace', run: (/** @type {KeyboardEvent} */ e) => (e.key === 'd' ? this.#bar.toggleMinus() : this.#bar.nextMinus()) },
      { key: 'e', says: 'Mean of the stored traces shown: of power, complex, none', run: () => this.#bar.nextMean() },
      { key: 'l', says: 'The stored traces: names, delete, import', run: () => this.#bar.open() },
      { key: 'g G', operates: true, says: 'Target shown or not; with Shift what it is', run: (/** @type {KeyboardEvent} */ e) => (e.key === 'g' ? this.#target.toggle() : this.#target.open()) },
      { key: 'p', says: 'Lower plot: phase, unwrapped, group delay, coherence', run: () => this.#nextForm() },
      { key: 'i', says: 'Impulse response: linear, logarithmic, step', run: () => this.#impulse.nextForm() },
      { key: 't', says: 'The numbers as a table', run: () => openSheet('The numbers', tables({ session, view, spectrum: this.#spectrum, impulse: this.#impulse })) },
    ];
  }

  #nextForm() {
    const k = FORMS.findIndex(([v]) => v === this.#traces.form);
    this.#traces.form = FORMS[(k + 1) % FORMS.length][0];
  }

  /** A phrase was touched: its evidence comes into view. @param {string|undefined} about */
  #follow(about) {
    if (!about || !matchMedia('(max-width: 719px)').matches) return;
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
