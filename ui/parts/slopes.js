// @ts-check
// Where a main and its sub overlap, an octave or two, a cycle more or less gives nearly the same sum. Here it is
// seen which one it is: the phase of each over the overlap, less the main's own delay, and the line through it.
// Lines that lie on each other stay together over the band; lines that only cross are a cycle off.

import { el, say } from '../core/dom.js';
import { fixed, frequencyTick, plusMinus, signed } from '../core/format.js';
import { level, run } from '../core/slopes.js';
import { currentInk } from '../core/theme.js';
import { every } from '../draw/axes.js';
import { keysBeside, makeRoom } from '../draw/names.js';
import { PAPER } from '../draw/paper.js';
import { Plot } from '../draw/plot.js';
import { line, ribbon } from '../draw/trace.js';
import { TODAY } from './alignmodel.js';
import { Panel } from './panel.js';
import { cell, save, table } from './take.js';
import { openSheet } from './sheet.js';

/** @typedef {import('../core/slopes.js').Run} Run */
/** @typedef {import('../draw/plot.js').Surface} Surface */

const AXIS = 46;
const LONG = [8, 5]; // the line through a phase
const LEAST_HALF = 135; // degrees to either side of the middle

export class Slopes {
  #model;
  #panel;
  #plot;
  #says = el('p', { class: 'says', 'data-testid': 'slopes' });
  /** @type {{a: Run, today: Run, then: Run}|null} */
  #runs = null;
  #room = 0;
  #moved = false;
  node;

  /** @param {import('./alignmodel.js').AlignModel} model @param {() => void} redraw */
  constructor(model, redraw) {
    this.#model = model;
    this.#panel = new Panel({ id: 'slopes', title: 'Phase in the overlap', unit: 'degrees', home: () => {}, save: (kind) => this.#save(kind), table: () => openSheet('The numbers', this.#table()) });
    this.#plot = new Plot(this.#panel.host, {
      x: { range: [50, 150], splits: every([5, 10, 20, 50, 100, 200], 52), tick: (v) => frequencyTick(v), size: 24 },
      y: { range: [-360, 180], splits: every([45, 90, 180, 360, 720], 26), tick: (v) => signed(v, 0), size: AXIS },
      under: (s) => this.#paint(s), beside: (s) => keysBeside(s, this.#keys(s), this.#room, currentInk().quiet), resized: redraw,
    });
    this.node = el('section', { class: 'slopes', 'aria-label': 'Phase slopes' }, this.#says, this.#panel.node);
  }

  close() {
    this.#plot.close();
  }

  /** Over a narrow overlap only: over a wide one no line is straight. */
  show() {
    const seat = this.#model.account;
    this.node.hidden = !seat || !this.#model.answer?.plan || seat.slopes.a_ms === null || seat.slopes.b_ms === null;
  }

  draw() {
    const { account: seat, answer, setting } = this.#model;
    this.show();
    if (this.node.hidden || !seat || !answer) {
      this.#runs = null;
      return;
    }
    const band = /** @type {[number, number]} */ (answer.band_hz);
    const { a_ms: aMs, b_ms: bMs } = seat.slopes;
    const b = (/** @type {import('../core/phasor.js').Setting} */ x) => run(seat.frequency_hz, seat.b, band, bMs ?? 0, x, aMs ?? 0);
    const a = run(seat.frequency_hz, seat.a, band, aMs ?? 0, TODAY, aMs ?? 0);
    this.#moved = Math.abs(setting.delayMs) > 0.005 || setting.sign < 0;
    this.#runs = { a, today: b(TODAY), then: b(setting) };
    level(a, this.#runs.today, this.#runs.then);
    const both = [...a.mid, ...a.straight, ...this.#runs.then.mid, ...this.#runs.then.straight].filter((v) => v !== null);
    const middle = (Math.min(...both) + Math.max(...both)) / 2;
    const half = Math.max(LEAST_HALF, (Math.max(...both) - Math.min(...both)) / 2 + 20);
    this.#plot.xRange = band;
    this.#plot.yRange = [middle - half, middle + half];
    this.#room = makeRoom([this.#plot], this.#keys(null).map((k) => k.name));
    this.#plot.draw();
    this.#panel.atHome(true);
    this.#tell(seat);
  }

  /** What the lines say, in one sentence. @param {import('../core/types.js').AlignSeat} seat */
  #tell(seat) {
    if (!this.#runs) return;
    const { main, fill, answer } = this.#model;
    const { a, today, then } = this.#runs;
    const sd = 2 * (seat.slopes.sd_ms ?? NaN);
    const left = (/** @type {Run} */ b) => {
      const ms = b.ms - a.ms;
      return Math.abs(ms) <= sd ? 'run parallel' : `are ${fixed(Math.abs(ms), 1)} ms apart in slope`;
    };
    const one = `Today ${main} and ${fill} ${left(today)} (${plusMinus(sd, 1)})`;
    const two = this.#moved ? `; with this setting they ${left(then)}` : '';
    const sure = answer?.certainty && answer.certainty !== 'sure' ? ` ${answer.reason}` : '';
    say(this.#says, `${one}${two}.${sure}`);
  }

  /** @param {Surface} s */
  #paint(s) {
    if (!this.#runs) return;
    const ink = currentInk();
    const width = 2 * ink.line * s.ratio;
    const { a, today, then } = this.#runs;
    const curve = (/** @type {Run} */ r) => ({ xs: s.positions(r.hz), mid: r.mid, low: r.low, high: r.high });
    const straight = (/** @type {Run} */ r) => ({ xs: s.positions(r.hz), mid: r.straight });
    const plain = { fill: 0, outline: 0 };
    if (this.#moved) line(s.ctx, straight(today), s.y, { ...plain, colour: ink.quiet, width: 1.25 * ink.line * s.ratio, dash: [2 * s.ratio, 4 * s.ratio] });
    for (const [r, colour] of /** @type {[Run, string][]} */ ([[a, ink.curves[0]], [then, ink.curves[1]]])) {
      ribbon(s.ctx, curve(r), s.y, { colour, width, fill: 0.22, outline: 0.5 });
      line(s.ctx, curve(r), s.y, { ...plain, colour, width: 1.25 * ink.line * s.ratio });
    }
    line(s.ctx, straight(a), s.y, { ...plain, colour: ink.curves[0], width: 1.5 * width });
    line(s.ctx, straight(then), s.y, { ...plain, colour: ink.curves[1], width: 1.5 * width, dash: LONG.map((v) => v * s.ratio) });
  }

  /** The names, each as high as its line ends; without a surface anywhere. @param {Surface|null} s @returns {import('../draw/names.js').Key[]} */
  #keys(s) {
    if (!this.#runs) return [];
    const ink = currentInk();
    const { main, fill } = this.#model;
    const { a, today, then } = this.#runs;
    const key = (/** @type {Run} */ r, /** @type {string} */ name, /** @type {string} */ colour, /** @type {number[]} */ dash, strong = true) => ({ x: 0, y: s ? s.y(r.straight.at(-1) ?? 0) : 0, name, short: '', colour, dash, strong });
    const keys = [key(a, main, ink.curves[0], []), key(then, `${fill} ${signed(then.ms, 1)} ms`, ink.curves[1], LONG)];
    if (this.#moved) keys.unshift(key(today, `today ${signed(today.ms, 1)} ms`, ink.quiet, [2, 4], false));
    return keys;
  }

  /** @param {'png'|'svg'|'csv'} kind */
  #save(kind) {
    const runs = this.#runs;
    if (!runs) return;
    const { main, fill, seat, answer } = this.#model;
    const range = /** @type {[number, number]} */ (answer?.band_hz ?? [50, 150]);
    const drawn = (/** @type {Run} */ r, /** @type {string} */ name, /** @type {string} */ colour, /** @type {number[]} */ dash) => [
      { name: '', curve: { xs: [], mid: r.mid, low: r.low, high: r.high }, colour, dash: [] }, { name, curve: { xs: [], mid: r.straight }, colour, dash },
    ];
    save(`phase-slopes-${seat?.name ?? 'seat'}`, kind, () => ({
      title: `Phase of ${main} and ${fill} in their overlap at ${seat?.name}, degrees over Hz`, sentence: this.#says.textContent ?? '', caption: new Date().toLocaleString(),
      strip: false, grid: runs.a.hz,
      curves: [...drawn(runs.a, main, PAPER.curves[0], []), ...drawn(runs.then, `${fill} ${signed(runs.then.ms, 1)} ms`, PAPER.curves[1], LONG)],
      x: { range, log: false, splits: every([5, 10, 20, 50, 100, 200], 80)(...range, 1090), tick: frequencyTick },
      y: { range: this.#plot.yRange, splits: every([45, 90, 180, 360, 720], 30)(...this.#plot.yRange, 410), tick: (v) => signed(v, 0) },
    }), () => `${['frequency_hz', 'a_deg', 'a_line_deg', 'b_deg', 'b_line_deg', 'b_today_line_deg'].join(',')}\n${runs.a.hz.map((f, i) => [f, runs.a.mid[i], runs.a.straight[i], runs.then.mid[i], runs.then.straight[i], runs.today.straight[i]].map(cell).join(',')).join('\n')}\n`);
  }

  #table() {
    const { main, fill, account } = this.#model;
    if (!this.#runs || !account) return el('p', { text: 'Nothing is measured yet.' });
    const { a, today, then } = this.#runs;
    return el('div', { class: 'tables' }, table("Group delay in the overlap after the main's, ms", ['loudspeaker', 'today', 'this setting'], [
      [main, signed(a.ms, 2), signed(a.ms, 2)], [fill, signed(today.ms, 2), signed(then.ms, 2)], ['95 % interval of that', '', plusMinus(2 * (account.slopes.sd_ms ?? NaN), 2)],
    ]));
  }
}
