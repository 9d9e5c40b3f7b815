// @ts-check
// Level over time, and the bands over the same time below it; one plumb line through both.

import { el, say } from '../core/dom.js';
import { clock, fixed } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { every } from '../draw/axes.js';
import { ROWS, ROW_RANGE, rowMidHz, rowOf, rowSplits, rowTick } from '../draw/bandrows.js';
import { gestures, scale, shift } from '../draw/gestures.js';
import { crest, line, paintLimit } from '../draw/leveltrace.js';
import { keysBeside, makeRoom } from '../draw/names.js';
import { Plot } from '../draw/plot.js';
import { moments } from '../draw/times.js';
import { Panel } from './panel.js';
import { stepFor } from './levellog.js';
import { HeatScale } from './heatscale.js';
import { Pins } from './pins.js';
import { TimeSpine } from './timespine.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {import('../draw/axes.js').Range} Range */
/** @typedef {import('./levellog.js').LevelLog} LevelLog */
/** @typedef {import('../core/types.js').WatchEvent} WatchEvent */
/** @typedef {import('../draw/leveltrace.js').LimitLine} LimitLine */

/**
 * @typedef {object} TimeChartOptions
 * @property {() => void} redraw
 * @property {() => void} table
 * @property {(plot: 'level'|'bands', kind: 'png'|'svg'|'csv') => void} save
 * @property {() => WatchEvent[]} events
 * @property {(event: WatchEvent) => void} choose
 * @property {() => LimitLine|null} limit
 */

const AXIS = 46;
const LEAST_SPAN_DB = 50;
const SPANS = /** @type {const} */ ([['5 min', 300], ['10 min', 600], ['1 h', 3600], ['4 h', 14400], ['24 h', 86400]]);
export class TimeChart {
  #session;
  #view;
  #time;
  #log;
  #options;
  #level;
  #bands;
  #pins;
  #spine = new TimeSpine();
  #scale = new HeatScale();
  #plumb = el('div', { class: 'plumb', 'aria-hidden': 'true' }, el('span', { class: 'tag' }), el('span', { class: 'bob' }));
  #tag = /** @type {HTMLElement} */ (this.#plumb.firstChild);
  #spans = el('div', { class: 'spans', role: 'group', 'aria-label': 'Time shown' });
  #empty = el('p', { class: 'empty', 'data-testid': 'log-state' });
  /** @type {Range|null} chosen by hand */
  #chosenY = null;
  #topDB = NaN;
  #spanDB = LEAST_SPAN_DB;
  levelPanel;
  bandPanel;
  #letGo;
  /** What is named beside the plots. @type {import('../draw/names.js').Key[]} */
  #keys = [];
  #room = 0;

  /** @param {Session} session @param {View} view @param {import('./timeview.js').TimeView} time @param {LevelLog} log @param {TimeChartOptions} options */
  constructor(session, view, time, log, options) {
    this.#session = session;
    this.#view = view;
    this.#time = time;
    this.#log = log;
    this.#options = options;
    const home = () => this.home();
    const { table, save } = options;
    this.levelPanel = new Panel({ id: 'level', title: 'Level', unit: 'dB', home, table, save: (k) => save('level', k) });
    this.bandPanel = new Panel({ id: 'bands', title: 'Bands', unit: 'third octaves, Hz', home, table, save: (k) => save('bands', k) });
    for (const panel of [this.levelPanel, this.bandPanel]) say(/** @type {Node} */ (panel.node.querySelector('.home')), 'To now');
    this.levelPanel.tools.append(this.#spans);
    for (const [text, seconds] of SPANS) this.#spans.append(el('button', { type: 'button', text, 'data-span': seconds, onclick: () => time.follow(seconds) }));
    const now = this.range();
    this.#level = new Plot(this.levelPanel.host, {
      x: { range: now, splits: moments, tick: () => '', size: 0 },
      y: { range: [-60, -10], splits: every([1, 2, 5, 10, 20], 24), tick: (v) => fixed(v, 0), size: AXIS },
      under: (s) => this.#paintLevel(s), beside: (s) => keysBeside(s, this.#keys, this.#room, currentInk().quiet), resized: options.redraw,
    });
    this.#bands = new Plot(this.bandPanel.host, {
      x: { range: now, splits: moments, tick: () => '', size: 22 },
      y: { range: ROW_RANGE, splits: rowSplits, tick: rowTick, size: AXIS },
      under: (s) => this.#paintBands(s), resized: options.redraw,
    });
    this.bandPanel.host.append(this.#scale.node);
    this.levelPanel.host.append(this.#empty);
    this.#pins = new Pins(this.levelPanel.host, (event) => options.choose(event));
    this.#letGo = [this.#hands(this.#level, this.levelPanel.host), this.#hands(this.#bands, this.bandPanel.host)];
  }

  close() {
    for (const off of this.#letGo) off();
    this.#level.close();
    this.#bands.close();
  }

  get plots() {
    return { level: this.#level, bands: this.#bands };
  }

  get parts() {
    return { spine: this.#spine.node, plumb: this.#plumb };
  }

  /** dB of the colours. */
  get heatRange() {
    return this.#scale.range;
  }

  /** Times shown, seconds since 1970. */
  range() {
    return this.#time.range(this.#log.now);
  }

  /** The columns that are drawn of the microphone in front, and which. */
  shown() {
    const [from, to] = this.range();
    const layer = this.#log.standIn(this.#log.layer(this.#front(), this.#step()), from, Math.min(to, this.#log.now));
    return { layer, from: layer.at(from), to: layer.at(to) };
  }

  /** Column under the line, and its time. */
  atLine() {
    const { layer, to } = this.shown();
    const { line } = this.#time;
    if (line !== null) return { layer, slot: layer.slot(layer.at(line)), unixS: line };
    for (let column = Math.min(to, layer.at(this.#log.now)), tries = 0; tries < 12; column--, tries++) {
      const slot = layer.slot(column);
      if (slot >= 0 && layer.covered[slot] > layer.step / 2) return { layer, slot, unixS: column * layer.step };
    }
    return { layer, slot: -1, unixS: this.#log.now };
  }

  home() {
    this.#chosenY = null;
    this.#time.follow(this.#time.span);
  }

  /** @param {number} by of the span; positive is later */
  move(by) {
    this.#time.set(shift(this.range(), by, false), this.#log.now);
  }

  /** Moves the line by columns. @param {number} by */
  step(by) {
    const { layer, unixS } = this.atLine();
    this.#time.show((layer.at(unixS) + by) * layer.step, this.#log.now);
  }

  /** @param {number} by under 1 comes closer */
  zoom(by) {
    const [from, to] = this.range();
    const line = this.#time.line ?? to;
    this.#time.set(scale([from, to], Math.min(1, Math.max(0, (line - from) / (to - from))), by, false), this.#log.now);
  }

  draw() {
    const range = this.range();
    this.#fetch(range);
    this.#settle();
    this.#level.xRange = this.#bands.xRange = range;
    this.#makeRoom();
    this.#level.draw();
    this.#bands.draw();
    const seen = [this.#level, this.#bands].find((p) => p.seen);
    const { layer, from, to } = this.shown();
    if (seen) {
      this.#spine.draw(seen, layer, from, to, this.#log.now, this.#hang(seen));
    }
    this.#pins.draw(this.#level, this.#options.events(), this.#view.light?.about ?? '');
    this.levelPanel.atHome(this.#time.until === null && !this.#chosenY);
    this.bandPanel.atHome(this.#time.until === null);
    for (const b of this.#spans.querySelectorAll('button')) b.setAttribute('aria-pressed', String(this.#time.until === null && Number(b.dataset.span) === Math.round(this.#time.span)));
    const { log } = this.#session.levels ?? {};
    say(this.#empty, this.#log.trouble || (log && log.state !== 'writing' ? log.text || 'No show is open: levels are shown, but not kept.' : ''));
    this.#empty.hidden = !this.#empty.textContent;
  }

  #front() {
    return this.#view.front(this.#known());
  }

  #known() {
    return this.#session.state?.settings.microphones ?? [];
  }

  #step() {
    return stepFor(this.#time.span, Math.max(this.#level.area.width, this.#bands.area.width));
  }

  /** @param {Range} range */
  #fetch([from, to]) {
    const front = this.#front();
    if (!front) return;
    const step = this.#step();
    const margin = this.#time.span / 2; // so that a drag finds something
    const before = Math.max(margin, this.#options.limit()?.slidingS ?? 0);
    const wanted = this.#view.shown(this.#known()).reverse().map((microphone) => ({ microphone, step, bands: microphone === front }));
    this.#log.want(wanted.slice(0, 1), from, to); // what is seen first
    this.#log.want(wanted, from - before, to + margin);
  }

  /** Are several microphones drawn? */
  get #several() {
    return this.#view.all && this.#known().length > 1;
  }

  /** Room for all names that may come, so that nothing moves when one does. */
  #makeRoom() {
    const limit = this.#options.limit();
    const names = this.#several ? this.#known().map((c) => this.#session.channelName(c)) : ['LAFmax', 'LAeq,1s'];
    if (limit) names.push(limit.short, ...(limit.slidingS ? [`LAeq,${limit.slidingS / 60}min`] : []));
    this.#room = makeRoom([this.#level, this.#bands], names);
  }

  /** The level axis goes where the levels are, and stays there while they fit. */
  #settle() {
    if (this.#chosenY) {
      this.#level.yRange = this.#chosenY;
      return;
    }
    const { layer, from, to } = this.shown();
    let most = -Infinity;
    let least = Infinity;
    for (let column = from; column <= to; column++) {
      const slot = layer.slot(column);
      if (slot < 0) continue;
      if (layer.lafmax[slot] > most) most = layer.lafmax[slot];
      if (layer.laeq[slot] < least) least = layer.laeq[slot];
    }
    if (most === -Infinity) return;
    const limit = this.#options.limit();
    if (limit && limit.db > most && limit.db < most + 25) most = limit.db;
    if (!(most < this.#topDB - 1 && most > this.#topDB - 17)) this.#topDB = Math.ceil((most + 3) / 10) * 10;
    const span = Math.min(100, Math.max(LEAST_SPAN_DB, Math.ceil((this.#topDB - least + 3) / 10) * 10));
    if (span > this.#spanDB || span < this.#spanDB - 10) this.#spanDB = span;
    this.#level.yRange = [this.#topDB - this.#spanDB, this.#topDB];
    this.#scale.settle(layer, from, to, this.#log.answers);
  }

  /** @param {Surface} s */
  #paintLevel(s) {
    const ink = currentInk();
    const { layer, from, to } = this.shown();
    const known = this.#known();
    const front = this.#front();
    /** @type {import('../draw/names.js').Key[]} */
    const keys = [];
    const key = (/** @type {{y: number}|null} */ end, /** @type {string} */ name, /** @type {string} */ colour, /** @type {number[]} */ dash, /** @type {boolean} */ strong) => {
      if (end) keys.push({ x: 0, y: end.y, name, short: '', colour, dash, strong });
    };
    this.#verticals(s);
    if (this.#view.all) {
      for (const c of known) {
        if (c === front) continue;
        const other = this.#log.layer(c, this.#step());
        const colour = ink.curves[known.indexOf(c) % 4];
        const end = line(s, other, other.at(this.range()[0]), other.at(this.range()[1]), other.laeq, colour, 1.2 * ink.line * s.ratio, []);
        key(end, this.#session.channelName(c), colour, [], false);
      }
    }
    const colour = ink.curves[Math.max(0, known.indexOf(front)) % 4];
    crest(s, layer, from, to, colour, ink.dark ? 0.34 : 0.26);
    const max = line(s, layer, from, to, layer.lafmax, colour, 1 * s.ratio, [2 * s.ratio, 2 * s.ratio]);
    const end = line(s, layer, from, to, layer.laeq, colour, 2 * ink.line * s.ratio, []);
    const several = this.#several; // then microphones are told apart, not what is drawn of one
    if (!several) key(max, 'LAFmax', colour, [2, 2], false);
    key(end, several ? this.#session.channelName(front) : layer.step === 1 ? 'LAeq,1s' : 'LAeq', colour, [], true);
    const limit = this.#options.limit();
    if (limit) paintLimit(s, layer, from, to, limit, this.#log.now, key);
    this.#keys = keys;
  }

  /** @param {Surface} s */
  #paintBands(s) {
    const { layer, from, to } = this.shown();
    const { ctx, box } = s;
    const heat = layer.heat(this.#scale.range);
    const bottom = s.y(-0.5);
    const top = s.y(heat ? heat.rows - 0.5 : ROWS - 0.5);
    // Columns nobody knows are blank in the ring only if it never held others.
    for (let a = from; a <= to && heat; a++) {
      if (layer.slot(a) < 0) continue;
      const start = a;
      while (a + 1 <= to && layer.slot(a + 1) >= 0) a++;
      heat.paint(ctx, start, a, (column) => s.x(column * layer.step), top, bottom - top);
    }
    const ink = currentInk();
    const row = Math.round(rowOf(this.#view.at));
    ctx.strokeStyle = ink.ground;
    ctx.lineWidth = 1 * s.ratio;
    ctx.strokeRect(box.left - 2, s.y(row + 0.5), box.width + 4, s.y(row - 0.5) - s.y(row + 0.5));
    this.#verticals(s);
  }

  /** Where something was found. @param {Surface} s */
  #verticals(s) {
    const ink = currentInk();
    const { ctx, box } = s;
    const heat = s.y(0) - s.y(1) < 60; // lines over a picture need the ground beside them
    for (const event of this.#options.events()) {
      const x = s.x(Date.parse(event.at) / 1000);
      if (x < box.left || x > box.left + box.width) continue;
      const lit = this.#view.light?.about === `event:${event.id}`;
      for (const [colour, width] of /** @type {[string, number][]} */ (heat ? [[ink.ground, 4], [ink.ink, lit ? 3 : 1.5]] : [[ink.quiet, lit ? 3 : 1]])) {
        ctx.strokeStyle = colour;
        ctx.lineWidth = width * s.ratio;
        ctx.setLineDash(event.acknowledged ? [3 * s.ratio, 3 * s.ratio] : []);
        ctx.beginPath();
        ctx.moveTo(x, box.top);
        ctx.lineTo(x, box.top + box.height);
        ctx.stroke();
      }
    }
    ctx.setLineDash([]);
    for (const mark of this.#log.marks) {
      if (mark.microphone && mark.microphone !== this.#front()) continue;
      const x = s.x(mark.unix_s);
      if (x < box.left || x > box.left + box.width) continue;
      ctx.strokeStyle = ink.rule;
      ctx.lineWidth = s.ratio;
      ctx.setLineDash([s.ratio, 3 * s.ratio]);
      ctx.beginPath();
      ctx.moveTo(x, box.top);
      ctx.lineTo(x, box.top + box.height);
      ctx.stroke();
    }
    ctx.setLineDash([]);
  }

  /** The plumb line. @param {Plot} plot @returns {[number, number]} what of the axis its tag covers */
  #hang(plot) {
    const { left, top, width } = plot.area;
    const { unixS } = this.atLine();
    const x = plot.toX(unixS);
    this.#plumb.hidden = !(x >= 0 && x <= width);
    if (this.#plumb.hidden) return [0, 0];
    // All in the coordinates of the element that the line hangs in.
    const from = /** @type {HTMLElement} */ (this.#plumb.offsetParent ?? this.#plumb).getBoundingClientRect();
    const host = (plot === this.#level ? this.levelPanel.host : this.bandPanel.host).getBoundingClientRect();
    const spine = this.#spine.node.getBoundingClientRect();
    const bands = this.bandPanel.host.checkVisibility() ? this.bandPanel.host.getBoundingClientRect() : null;
    const first = Math.min(host.top + top, spine.top) - from.top;
    const last = bands ? Math.max(bands.top + this.#bands.area.top + this.#bands.area.height, spine.top + 12 * unit()) : spine.top + 12 * unit();
    this.#plumb.style.transform = `translateX(${host.left - from.left + left + x}px)`;
    this.#plumb.style.top = `${first}px`;
    this.#plumb.style.height = `${last - from.top - first}px`;
    const flipped = x > width - 90 * unit();
    this.#plumb.classList.toggle('right', flipped);
    this.#plumb.style.setProperty('--spine', `${spine.top - from.top + 12 * unit() - first}px`);
    say(this.#tag, clock(unixS * 1000));
    const wide = 84 * unit();
    return flipped ? [x - wide, x] : [x, x + wide];
  }

  /** @param {Plot} plot @param {HTMLElement} host */
  #hands(plot, host) {
    const level = plot === this.#level;
    return gestures({
      surface: host,
      area: () => plot.area,
      view: () => ({ x: [...plot.xRange], y: [...plot.yRange] }),
      setView: (x, y) => {
        if (level && (y[0] !== plot.yRange[0] || y[1] !== plot.yRange[1])) this.#chosenY = [Math.max(-200, y[0]), Math.min(200, Math.max(y[1], y[0] + 5))];
        this.#time.set(x, this.#log.now);
      },
      log: false,
      freeY: level,
      home: () => false, // there is always a time before: a thumb moves it
      goHome: () => this.home(),
      point: (px, py) => {
        const [from, to] = this.range();
        this.#time.point(Math.min(to, Math.max(from, plot.fromX(px))));
        if (!level) this.#view.setAt(rowMidHz(Math.max(0, Math.min(ROWS - 1, Math.round(plot.fromY(py))))));
      },
    });
  }
}
