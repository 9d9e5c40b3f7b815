// @ts-check
// How much of the sum arrives, over the delay between the two: a line for every seat, today's setting and the
// plan marked, and the plumb line as the handle that tries a delay out.

import * as address from '../core/address.js';
import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { aimOf, sweep } from '../core/phasor.js';
import { currentInk } from '../core/theme.js';
import { unit } from '../core/type.js';
import { every } from '../draw/axes.js';
import { gestures, within } from '../draw/gestures.js';
import { keysBeside, makeRoom } from '../draw/names.js';
import { Plot } from '../draw/plot.js';
import { line } from '../draw/trace.js';
import { Panel } from './panel.js';

/** @typedef {import('../draw/axes.js').Range} Range */
/** @typedef {import('../draw/plot.js').Surface} Surface */
/** @typedef {{same: Float64Array, opposite: Float64Array}} Lines */

/** @type {Range} */
const FARTHEST = [-60, 60];
const NARROWEST_MS = 0.2;
const POINTS = 480;
const BUDGET_MS = 8; // of a screen refresh, for lines that are computed anew
const NAMED = 8;
const AXIS = 46;
const FOOT = 44; // pixels of the layout at the bottom, that its own words stand in

export class Sweep {
  #model;
  #redraw;
  #panel;
  #plot;
  #letGo;
  /** @type {Range|null} */
  #chosen = address.range('ms');
  #handle = el('div', { class: 'plumb handle', role: 'slider', tabIndex: 0, 'aria-label': 'Delay to try', 'data-arrows': '', 'data-testid': 'sweep-handle', onkeydown: (/** @type {KeyboardEvent} */ e) => this.#key(e) }, el('span', { class: 'tag' }), el('span', { class: 'bob' }));
  #tag = /** @type {HTMLElement} */ (this.#handle.firstChild);
  #under = el('div', { class: 'ways', 'aria-hidden': 'true' }, el('span'), el('span'));
  #room = 0;
  /** What the lines are computed for. */
  #key_ = '';
  /** @type {import('../core/phasor.js').Cells[]} */
  #cells = [];
  /** @type {number[]} ms */
  #grid = [];
  /** @type {Lines[]} */
  #lines = [];
  /** @type {{same: number[], opposite: number[]}} */
  #total = { same: [], opposite: [] };
  #reach = el('span', { 'data-testid': 'reach' });
  #heads = el('span', { class: 'choice', title: 'Standard deviation along each axis; 0 plans for the very point of the microphone' }, el('span', { text: 'heads ±' }));
  node;

  /** @param {import('./alignmodel.js').AlignModel} model @param {() => void} redraw @param {(kind: 'png'|'svg'|'csv') => void} save @param {() => void} table */
  constructor(model, redraw, save, table) {
    this.#model = model;
    this.#redraw = redraw;
    this.#panel = new Panel({ id: 'sweep', title: 'Efficiency', term: 'efficiency', unit: 'dB re ideal', home: () => this.home(), save, table });
    this.#plot = new Plot(this.#panel.host, {
      x: { range: this.#chosen ?? [-5, 5], splits: every([0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20], 64), tick: (v) => `${signed(v, Math.abs(v % 1) > 1e-9 ? (Math.abs((v * 10) % 1) > 1e-6 ? 2 : 1) : 0)}`, size: 24 },
      y: { range: [-12, 0], splits: every([1, 2, 3, 6], 22), tick: (v) => signed(v, 0), size: AXIS },
      under: (s) => this.#paint(s), beside: (s) => keysBeside(s, this.#keys(s), this.#room, currentInk().quiet), resized: redraw,
    });
    this.#panel.host.append(this.#handle, this.#under);
    this.#letGo = gestures({
      surface: this.#panel.host, area: () => this.#plot.area, view: () => ({ x: [...this.#plot.xRange], y: [...this.#plot.yRange] }),
      setView: (x) => this.#setX(x), log: false, freeY: false, home: () => true, goHome: () => this.home(), lead: true,
      point: (px) => this.#point(px),
    });
    this.node = el('div', { class: 'sweep' }, this.#panel.node, el('p', { class: 'reach' }, this.#heads, this.#reach));
  }

  close() {
    this.#letGo();
    this.#plot.close();
  }

  /** Where controls of this plot stand. */
  get tools() {
    return this.#panel.tools;
  }

  /** Where the spread of heads is set. */
  get heads() {
    return this.#heads;
  }

  get plot() {
    return this.#plot;
  }

  home() {
    this.#chosen = null;
    address.set('ms', null);
    this.#redraw();
  }

  draw() {
    say(this.#reach, this.#model.answer?.promise.reach_text ?? '');
    this.#plot.xRange = this.#chosen ?? this.#whole();
    this.#compute();
    this.#room = makeRoom([this.#plot], this.#keys(null).map((k) => k.name));
    this.#plot.draw();
    this.#hang();
    this.#panel.atHome(!this.#chosen);
  }

  /** The numbers drawn, for export. */
  get data() {
    return { grid: this.#grid, lines: this.#lines, total: this.#total };
  }

  /** Today, the plan and the runner-up with room around them. @returns {Range} */
  #whole() {
    const { answer, plan } = this.#model;
    const marks = [0, plan.delayMs];
    if (answer?.runner_up) marks.push(answer.runner_up.wait === 'A' ? -answer.runner_up.delay_ms : answer.runner_up.delay_ms);
    const lo = Math.min(...marks);
    const hi = Math.max(...marks);
    const room = Math.max(1, (hi - lo) * 0.3);
    return [lo - room, hi + room];
  }

  /** Lines are computed seat by seat while the page stays alive. */
  #compute() {
    const { cells, setting, aim } = this.#model;
    const range = this.#plot.xRange;
    const key = JSON.stringify([range, setting.gainDB, aim]);
    if (key !== this.#key_ || cells !== this.#cells) {
      this.#key_ = key;
      this.#cells = cells;
      this.#lines = [];
      this.#total = { same: [], opposite: [] };
      const step = (range[1] - range[0]) / (POINTS - 1);
      this.#grid = Array.from({ length: POINTS }, (_, i) => range[0] + i * step);
    }
    if (this.#lines.length === cells.length) return;
    const until = performance.now() + BUDGET_MS;
    while (this.#lines.length < cells.length && performance.now() < until) {
      this.#lines.push(sweep(cells[this.#lines.length], setting.gainDB, this.#grid[0], this.#grid[1] - this.#grid[0], POINTS));
    }
    if (this.#lines.length < cells.length) {
      this.#redraw();
      return;
    }
    for (const sign of /** @type {const} */ (['same', 'opposite'])) {
      const at = new Float64Array(cells.length);
      this.#total[sign] = this.#grid.map((_, i) => {
        for (let k = 0; k < at.length; k++) at[k] = this.#lines[k][sign][i];
        return aimOf(at, aim);
      });
    }
    this.#look();
  }

  /** The axis reaches as far down as the lines that matter. */
  #look() {
    const { setting } = this.#model;
    const sign = setting.sign < 0 ? 'opposite' : 'same';
    let low = -6;
    for (const l of this.#lines) for (const v of l[sign]) low = Math.min(low, v);
    for (const v of this.#total[setting.sign < 0 ? 'same' : 'opposite']) low = Math.min(low, v);
    // Under the lowest stand words.
    const { height } = this.#plot.area;
    const part = Math.min(0.5, (FOOT * unit()) / Math.max(1, height));
    this.#plot.yRange = [Math.floor(Math.max(-18, low) / (1 - part)), 0];
  }

  /** @param {Surface} s */
  #paint(s) {
    const { setting, seat, answer, lowestNow } = this.#model;
    if (!answer || !this.#lines.length) return;
    const ink = currentInk();
    const xs = s.positions(this.#grid);
    const sign = setting.sign < 0 ? 'opposite' : 'same';
    const other = setting.sign < 0 ? 'same' : 'opposite';
    const style = { fill: 0, outline: 0 };
    this.#marks(s);
    this.#lines.forEach((l, k) => {
      const account = answer.seats[k];
      const chosen = account?.seat === seat?.id;
      const worst = k === lowestNow && answer.seats.length > 1;
      line(s.ctx, { xs, mid: /** @type {any} */ (l[sign]) }, s.y, { ...style, colour: chosen ? ink.curves[2] : ink.quiet, width: (chosen ? 2 : 1) * ink.line * s.ratio, dash: worst ? [2 * s.ratio, 3 * s.ratio] : [] });
    });
    if (this.#total[other].length) line(s.ctx, { xs, mid: this.#total[other] }, s.y, { ...style, colour: ink.ink, width: 1.25 * ink.line * s.ratio, dash: [7 * s.ratio, 5 * s.ratio] });
    if (this.#total[sign].length) line(s.ctx, { xs, mid: this.#total[sign] }, s.y, { ...style, colour: ink.ink, width: 2.5 * ink.line * s.ratio });
    this.#whiskers(s);
    // Where each seat stands under the handle.
    const x = s.x(setting.delayMs);
    s.ctx.fillStyle = ink.ink;
    for (const v of this.#model.now) {
      s.ctx.beginPath();
      s.ctx.arc(x, s.y(v), 3 * s.ratio, 0, 2 * Math.PI);
      s.ctx.fill();
    }
  }

  /** How well it is known what the plan gives: the 95 % intervals by the aim and at the chosen seat. @param {Surface} s */
  #whiskers(s) {
    const { answer, plan, setting, seat } = this.#model;
    if (!answer?.plan || plan.sign !== setting.sign) return;
    const ink = currentInk();
    const x = s.x(plan.delayMs);
    const one = (/** @type {{low_db: number|null, high_db: number|null}|undefined} */ k, /** @type {string} */ colour, /** @type {number} */ away, /** @type {number} */ width) => {
      if (!k || k.low_db === null || k.high_db === null) return;
      const [top, bottom] = [s.y(k.high_db), s.y(k.low_db)];
      const at = x + away * s.ratio;
      const half = 5 * s.ratio;
      s.ctx.strokeStyle = colour;
      s.ctx.lineWidth = width * ink.line * s.ratio;
      s.ctx.beginPath();
      s.ctx.moveTo(at, top);
      s.ctx.lineTo(at, bottom);
      for (const y of [top, bottom]) {
        s.ctx.moveTo(at - half, y);
        s.ctx.lineTo(at + half, y);
      }
      s.ctx.stroke();
    };
    if (answer.seats.length > 1) one(answer.seats.find((a) => a.seat === seat?.id), ink.curves[2], 9, 1.5);
    one(answer.plan, ink.ink, 0, 2);
  }

  /** Today's setting and the plan. @param {Surface} s */
  #marks(s) {
    const ink = currentInk();
    const { plan, answer, setting } = this.#model;
    s.ctx.font = `${12 * s.ratio}px system-ui, sans-serif`;
    s.ctx.textBaseline = 'bottom';
    const bottom = s.box.top + s.box.height;
    const apart = Math.abs(s.x(plan.delayMs) - s.x(0)) / s.ratio;
    for (const [ms, word, same] of /** @type {[number, string, boolean][]} */ ([[0, 'today', setting.sign > 0], [plan.delayMs, 'plan', plan.sign === setting.sign]])) {
      if (word === 'plan' && !answer?.plan) continue;
      const x = s.x(ms);
      s.ctx.strokeStyle = ink.rule;
      s.ctx.lineWidth = s.ratio;
      s.ctx.setLineDash(word === 'today' ? [] : [3 * s.ratio, 3 * s.ratio]);
      s.ctx.beginPath();
      s.ctx.moveTo(x, s.box.top);
      s.ctx.lineTo(x, bottom);
      s.ctx.stroke();
      s.ctx.setLineDash([]);
      const text = same ? word : `${word}, turned over`;
      const y = bottom - (word === 'plan' && apart < 130 ? 36 : 20) * s.ratio;
      const left = x + s.ctx.measureText(text).width + 8 * s.ratio > s.box.left + s.box.width;
      s.ctx.textAlign = left ? 'right' : 'left';
      s.ctx.strokeStyle = ink.ground;
      s.ctx.lineWidth = 3 * s.ratio;
      s.ctx.strokeText(text, x + (left ? -5 : 5) * s.ratio, y);
      s.ctx.fillStyle = ink.quiet;
      s.ctx.fillText(text, x + (left ? -5 : 5) * s.ratio, y);
    }
  }

  /** The lines' names, each as high as it ends; without a surface anywhere. @param {Surface|null} s @returns {import('../draw/names.js').Key[]} */
  #keys(s) {
    const { answer, setting, seat, aim, lowestNow } = this.#model;
    if (!answer || !this.#total.same.length || this.#lines.length < answer.seats.length) return [];
    const ink = currentInk();
    const sign = setting.sign < 0 ? 'opposite' : 'same';
    const other = setting.sign < 0 ? 'same' : 'opposite';
    const last = POINTS - 1;
    const key = (/** @type {number} */ db, /** @type {string} */ name, /** @type {string} */ colour, /** @type {number[]} */ dash, strong = false) => ({ x: 0, y: s ? s.y(db) : 0, name, short: '', colour, dash, strong });
    const keys = [key(this.#total[other][last], 'other polarity', ink.ink, [7, 5])];
    if (answer.seats.length > 1) {
      answer.seats.forEach((account, k) => {
        const chosen = account.seat === seat?.id;
        const lowest = k === lowestNow;
        if (answer.seats.length > NAMED && !chosen && !lowest) return;
        keys.push(key(this.#lines[k][sign][last], lowest ? `${account.name}, lowest` : account.name, chosen ? ink.curves[2] : ink.quiet, lowest ? [2, 3] : [], chosen));
      });
    }
    keys.push(key(this.#total[sign][last], answer.seats.length === 1 ? answer.seats[0].name : aim === 'worst' ? 'worst seat' : 'mean', ink.ink, [], true));
    return keys;
  }

  #hang() {
    const { setting, nowAim, answer, fill } = this.#model;
    const { left, top, width, height } = this.#plot.area;
    const x = this.#plot.toX(setting.delayMs);
    this.#handle.hidden = !answer?.plan || !(x >= -1 && x <= width + 1);
    this.#handle.style.transform = `translateX(${left + x}px)`;
    this.#handle.style.top = `${top}px`;
    this.#handle.style.height = `${height + 14 * unit()}px`;
    this.#handle.classList.toggle('right', x > width - 210 * unit());
    const ms = Math.abs(setting.delayMs);
    const who = ms < 0.005 ? 'as today' : `${fill} ${fixed(ms, 2)} ms ${setting.delayMs < 0 ? 'earlier' : 'later'}`;
    say(this.#tag, `${who}: ${signed(nowAim, 1)} dB`);
    this.#handle.setAttribute('aria-valuenow', String(Number(setting.delayMs.toFixed(2))));
    this.#handle.setAttribute('aria-valuetext', `${who}, ${signed(nowAim, 1)} dB of the ideal`);
    say(/** @type {Node} */ (this.#under.firstChild), `◂ ${fill} earlier`);
    say(/** @type {Node} */ (this.#under.lastChild), `${fill} later ▸`);
    this.#under.hidden = !answer?.plan;
    this.#under.style.right = `${this.#panel.host.clientWidth - left - width + 6}px`;
  }

  /** @param {Range} x */
  #setX(x) {
    this.#chosen = within(x, FARTHEST, NARROWEST_MS, false);
    address.set('ms', this.#chosen);
    this.#redraw();
  }

  /** @param {number} px */
  #point(px) {
    if (!this.#model.answer?.plan) return;
    const ms = Math.min(FARTHEST[1], Math.max(FARTHEST[0], this.#plot.fromX(px)));
    this.#model.set({ delayMs: Number(ms.toFixed(3)) });
  }

  /** @param {KeyboardEvent} e */
  #key(e) {
    const way = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1 }[e.key];
    if (!way || e.ctrlKey || e.altKey) return;
    e.preventDefault();
    this.#model.set({ delayMs: Number((this.#model.setting.delayMs + way * (e.shiftKey ? 0.1 : 0.01)).toFixed(3)) });
  }
}
