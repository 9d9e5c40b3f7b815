// @ts-check
// Difference to the baseline, third octave by third octave, lying on its side: its rows are those of the bands
// beside it. A bar is as long as the 95 % interval; it is filled where the difference is sure.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { currentInk } from '../core/theme.js';
import { ROW_RANGE, rowMidHz, rowOf, rowSplits, rowTick } from '../draw/bandrows.js';
import { Plot } from '../draw/plot.js';
import { Panel } from './panel.js';

/** @typedef {import('../core/types.js').Watch} Watch */
/** @typedef {import('../draw/plot.js').Surface} Surface */

const SCALES_DB = [6, 12, 24, 48];

export class Difference {
  #view;
  #watch;
  #options;
  #plot;
  #said = el('span');
  #measure;
  #note = el('p', { class: 'note' }, this.#said);
  #scale = SCALES_DB[0];
  #letGo;
  panel;

  /** @param {import('../core/view.js').View} view @param {() => Watch|null} watch @param {{redraw: () => void, save: (kind: 'png'|'svg'|'csv') => void, table: () => void, measure: () => void, ready: () => boolean}} options measure: takes a baseline from now on; ready: it can */
  constructor(view, watch, options) {
    this.#view = view;
    this.#watch = watch;
    this.#options = options;
    this.panel = new Panel({ id: 'difference', title: 'Difference', unit: 'dB to baseline', home: () => {}, save: options.save, table: options.table });
    this.#plot = new Plot(this.panel.host, {
      x: { range: [-SCALES_DB[0], SCALES_DB[0]], splits: () => this.#splits(), tick: (v) => signed(v, 0), size: 22 },
      y: { range: ROW_RANGE, splits: rowSplits, tick: rowTick, size: 46 },
      under: (s) => this.#paint(s), resized: options.redraw,
    });
    this.#measure = el('button', { type: 'button', text: 'Measure a baseline', 'data-testid': 'baseline-first', onclick: options.measure });
    this.#note.append(this.#measure);
    this.panel.host.append(this.#note);
    const point = (/** @type {PointerEvent} */ e) => {
      const row = this.#plot.fromY(e.clientY - this.panel.host.getBoundingClientRect().top - this.#plot.area.top);
      view.setAt(rowMidHz(Math.max(0, Math.min(ROW_RANGE[1] - 0.5, Math.round(row)))));
    };
    this.panel.host.addEventListener('pointermove', point);
    this.panel.host.addEventListener('pointerdown', point);
    this.#letGo = () => {
      this.panel.host.removeEventListener('pointermove', point);
      this.panel.host.removeEventListener('pointerdown', point);
    };
  }

  close() {
    this.#letGo();
    this.#plot.close();
  }

  get plot() {
    return this.#plot;
  }

  draw() {
    const watch = this.#watch();
    const most = Math.max(0, ...(watch?.difference_db ?? []).map((d) => Math.abs(d ?? 0)));
    const wanted = SCALES_DB.find((s) => most <= s * 0.95) ?? 48;
    // A larger scale at once, a smaller one only when there is room for it.
    if (wanted > this.#scale || most < this.#scale * 0.35) this.#scale = wanted;
    this.#plot.xRange = [-this.#scale, this.#scale];
    this.#plot.draw();
    const heard = watch?.difference_db.some((d) => d !== null);
    this.#measure.hidden = !!watch || !this.#options.ready();
    say(this.#said, !watch ? 'The difference to a baseline stands here. Next, with all playing well:' : watch.state === 'learning' ? 'Learning the baseline …' : watch.state === 'failed' ? '' : watch.state === 'paused' ? 'Paused.' : heard ? '' : 'Listening …');
    this.#note.hidden = !this.#said.textContent;
  }

  /** What the row under the line says. @returns {{low: number, high: number, db: number|null, error: number|null}|null} */
  atLine() {
    const watch = this.#watch();
    const k = watch ? watch.low_hz.findIndex((low, i) => this.#view.at >= low * 0.999 && this.#view.at < watch.high_hz[i] * 0.999) : -1;
    return watch && k >= 0 ? { low: watch.low_hz[k], high: watch.high_hz[k], db: watch.difference_db[k], error: watch.error_db[k] } : null;
  }

  #splits() {
    const s = this.#scale;
    return [-s, -s / 2, 0, s / 2, s];
  }

  /** @param {Surface} s */
  #paint(s) {
    const watch = this.#watch();
    const ink = currentInk();
    const { ctx, box } = s;
    const zero = s.x(0);
    const row = s.y(0) - s.y(1);
    ctx.strokeStyle = ink.rule;
    ctx.lineWidth = 1.5 * s.ratio;
    ctx.beginPath();
    ctx.moveTo(zero, box.top);
    ctx.lineTo(zero, box.top + box.height);
    ctx.stroke();
    const at = Math.round(rowOf(this.#view.at));
    ctx.fillStyle = ink.faint;
    ctx.fillRect(box.left, s.y(at + 0.5), box.width, row);
    if (!watch) return;
    const wrong = watch.wrong;
    if (wrong && (wrong.low_hz !== null || this.#view.light?.about === 'band')) {
      ctx.strokeStyle = ink.ink;
      ctx.lineWidth = (this.#view.light?.about === 'band' ? 3 : 1.5) * s.ratio;
      const top = s.y(rowOf(wrong.high_hz ?? rowMidHz(ROW_RANGE[1])));
      ctx.strokeRect(box.left + ctx.lineWidth, top, box.width - 2 * ctx.lineWidth, s.y(rowOf(wrong.low_hz ?? rowMidHz(ROW_RANGE[0]))) - top);
    }
    watch.difference_db.forEach((d, k) => {
      const middle = rowOf(Math.sqrt(watch.low_hz[k] * watch.high_hz[k]));
      const y = s.y(middle) - row * 0.36;
      const high = row * 0.72;
      const e = watch.error_db[k];
      if (d === null || e === null) {
        // Unknown is nothing, and seen to be nothing.
        ctx.fillStyle = ink.rule;
        for (const dx of [-4, 0, 4]) ctx.fillRect(zero + (dx - 0.75) * s.ratio, y + high / 2 - 0.75 * s.ratio, 1.5 * s.ratio, 1.5 * s.ratio);
        return;
      }
      const a = Math.max(box.left, s.x(d - e));
      const b = Math.min(box.left + box.width, s.x(d + e));
      const sure = Math.abs(d) > e;
      ctx.fillStyle = ctx.strokeStyle = ink.curves[0];
      ctx.globalAlpha = sure ? 0.55 : 0.3;
      if (b > a) ctx.fillRect(a, y, b - a, high);
      ctx.globalAlpha = 1;
      if (sure) {
        // From zero to where it stands.
        ctx.fillRect(Math.min(zero, s.x(d)), y + high / 2 - 0.75 * s.ratio, Math.abs(s.x(d) - zero), 1.5 * s.ratio);
      }
      ctx.fillStyle = ink.ink;
      ctx.fillRect(s.x(d) - s.ratio, y, 2 * s.ratio, high);
    });
  }

  /** For the reading. */
  tell() {
    const here = this.atLine();
    if (!here) return '–';
    return here.db === null ? 'unknown' : `${signed(here.db, 1)} ±${fixed(here.error, 1)} dB`;
  }
}
