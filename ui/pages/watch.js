// @ts-check
// Watch: how loud it is and has been, and whether the room is still as it was.

import { el } from '../core/dom.js';
import { bind } from '../core/keys.js';
import { Baseline } from '../parts/baseline.js';
import { openCalibrator } from '../parts/calibrator.js';
import { Chooser } from '../parts/chooser.js';
import { Difference } from '../parts/difference.js';
import { EventList } from '../parts/eventlist.js';
import { EventLog } from '../parts/eventlog.js';
import { LevelLog } from '../parts/levellog.js';
import { Limit } from '../parts/limit.js';
import { LineReading } from '../parts/linereading.js';
import { Now } from '../parts/now.js';
import { Painter } from '../parts/painter.js';
import { openSheet } from '../parts/sheet.js';
import { Shelf } from '../parts/shelf.js';
import { Tabs } from '../parts/tabs.js';
import { TimeChart } from '../parts/timechart.js';
import { TimeView } from '../parts/timeview.js';
import { takeWatch, watchTables } from '../parts/watchexport.js';
import { WatchLine } from '../parts/watchline.js';

const PLOTS = /** @type {const} */ ([['level', 'Level'], ['bands', 'Bands'], ['difference', 'Difference'], ['events', 'Events']]);

export class WatchPage {
  #session;
  #view;
  #parts;
  #painter;
  #chart;
  #difference;
  #tabs;
  #off;
  #drawn = false;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    this.#session = session;
    this.#view = view;
    const { notices } = shell;
    const redraw = () => this.#painter?.request();
    const channel = () => view.front(this.#known());
    const watch = () => session.watches.find((w) => w.microphone === channel()) ?? null;
    const time = new TimeView(redraw);
    const log = new LevelLog(session, redraw);
    const shelf = new Shelf(session, notices);
    const eventLog = new EventLog(session, notices, () => {
      list?.draw();
      line?.show();
      redraw();
    });
    const here = () => eventLog.events.filter((e) => e.microphone === channel());
    const choose = (/** @type {import('../core/types.js').WatchEvent} */ e) => {
      if (e.microphone !== channel()) view.setPrimary(e.microphone);
      time.show(Date.parse(e.at) / 1000, log.now);
      view.setLight({ about: `event:${e.id}` });
      if (this.node.dataset.shows === 'events') this.#tabs.show('level');
    };
    const from = () => ({ session, channel: channel(), watch: watch(), chart: this.#chart, limit: limit.line(), events: here(), sentence: line.node.querySelector('.sentence')?.textContent ?? '' });
    const table = () => openSheet('The numbers', watchTables(from()));

    const chooser = new Chooser(session, view);
    const now = new Now(session, channel, notices, () => openCalibrator(session, channel(), notices));
    const limit = new Limit(session, () => now.level(), notices);
    const list = new EventList(eventLog, { session, notices, choose, channelName: (c) => session.channelName(c), about: () => view.light?.about ?? '', watching: () => session.watches.length > 0 });
    const line = new WatchLine(session, view, { watch, level: () => now.level(), events: () => eventLog.events, others: () => session.watches.filter((w) => w.microphone !== channel()) });
    const baseline = new Baseline(session, shelf, channel, watch, notices);
    this.#chart = new TimeChart(session, view, time, log, { redraw, table, save: (plot, kind) => takeWatch(from(), plot, kind), events: here, choose, limit: () => limit.line() });
    this.#difference = new Difference(view, watch, { redraw, table, save: (kind) => takeWatch(from(), 'difference', kind), measure: () => baseline.measure(), ready: () => baseline.ready });
    const reading = new LineReading(view, this.#chart, this.#difference, time);
    this.#parts = [line, chooser, now, limit, list, baseline, this.#chart, this.#difference, log, eventLog, shelf];
    const { spine, plumb } = this.#chart.parts;
    this.node = el('div', { class: 'page watch' });
    this.#tabs = new Tabs(this.node, PLOTS, redraw);
    this.node.append(line.node,
      el('aside', { class: 'numbers', 'aria-label': 'Numbers' }, chooser.node, now.node, limit.node, limit.terms),
      el('div', { class: 'evidence', 'data-testid': 'evidence' }, this.#tabs.node, this.#chart.levelPanel.node,
        el('div', { class: 'beside' }, baseline.node, reading.node), spine, this.#chart.bandPanel.node, this.#difference.panel.node, plumb),
      list.node);

    shelf.onChange = () => baseline.draw();
    this.#painter = new Painter(session, view, () => {
      this.#chart.draw();
      this.#difference.draw();
      reading.draw();
      if (log.answers && !this.#drawn) performance.mark('plumbline:history');
      this.#drawn ||= log.answers > 0;
    });
    const stale = () => this.node.classList.toggle('stale', session.status.stale || !session.status.open);
    const want = () => session.want({ frames_per_second: 4, microphones: [channel()].filter(Boolean) });
    let shown = '';
    const follow = () => {
      limit.draw();
      list.draw();
      now.draw();
      baseline.draw();
      baseline.node.classList.toggle('lit', view.light?.about === 'baseline');
      limit.node.classList.toggle('lit', view.light?.about === 'limit');
      this.#difference.panel.node.classList.toggle('lit', view.light?.about === 'difference');
      const about = view.light?.about ?? '';
      if (about && matchMedia('(max-width: 719px)').matches) this.#follow(about);
      const key = `${view.all} ${channel()}`;
      if (key !== shown) want();
      shown = key;
    };
    this.#off = [
      session.on('status', stale), session.on('state', follow), session.on('watch', redraw), session.on('hello', want), view.onChange(follow),
      bind(this.#keys(time, log, chooser, table)),
    ];
    stale();
    want();
    redraw();
  }

  close() {
    for (const off of this.#off) off();
    this.#painter.close();
    for (const part of this.#parts) part.close();
  }

  plots() {
    return { ...this.#chart.plots, difference: this.#difference.plot };
  }

  /** For tests: the columns drawn. */
  get chart() {
    return this.#chart;
  }

  /** @param {TimeView} time @param {LevelLog} log @param {Chooser} chooser @param {() => void} table */
  #keys(time, log, chooser, table) {
    const spans = [300, 600, 3600, 14400, 86400];
    return [
      { key: 'ArrowLeft ArrowRight', says: 'Plumb line by one column', run: (/** @type {KeyboardEvent} */ e) => this.#chart.step(e.key === 'ArrowLeft' ? -1 : 1) },
      { key: 'Shift+ArrowLeft Shift+ArrowRight', says: 'A quarter of the time shown earlier or later', run: (/** @type {KeyboardEvent} */ e) => this.#chart.move(e.key === 'ArrowLeft' ? -0.25 : 0.25) },
      { key: 'ArrowUp ArrowDown', says: 'Band by a third of an octave', run: (/** @type {KeyboardEvent} */ e) => this.#view.setAt(Math.min(20000, Math.max(16, this.#view.at * 10 ** (e.key === 'ArrowUp' ? 0.1 : -0.1)))) },
      { key: '+', says: 'Zoom in', run: () => this.#chart.zoom(0.6) },
      { key: '-', says: 'Zoom out', run: () => this.#chart.zoom(1 / 0.6) },
      { key: 'w', says: 'Follow live', run: () => this.#chart.home() },
      { key: 'd D', says: 'Longer time shown; with Shift shorter', run: (/** @type {KeyboardEvent} */ e) => {
        const next = e.key === 'd' ? spans.find((s) => s > time.span * 1.01) : spans.filter((s) => s < time.span * 0.99).pop();
        if (next) time.follow(next);
      } },
      { key: 'm M', says: 'Next microphone; with Shift the one before', run: (/** @type {KeyboardEvent} */ e) => chooser.step(e.key === 'm' ? 1 : -1) },
      { key: 'o', says: 'The other microphones as well, or not', run: () => this.#view.setAll(!this.#view.all) },
      { key: 'c', says: 'Calibrate the microphone', run: () => /** @type {HTMLElement|null} */ (this.node.querySelector('[data-testid="calibrate"]'))?.click() },
      { key: 't', says: 'The numbers as a table', run: table },
    ];
  }

  #known() {
    return this.#session.state?.settings.microphones ?? [];
  }

  /** A phrase was touched: its evidence comes into view. @param {string} about */
  #follow(about) {
    if (about === 'baseline' || about === 'difference' || about === 'band') this.#tabs.show('difference');
  }
}
