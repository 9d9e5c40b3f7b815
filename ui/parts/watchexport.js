// @ts-check
// Taking away what the Watch page shows: pictures, drawings, numbers, and a table for those who listen to the page.

import { el } from '../core/dom.js';
import { clock, fixed, frequencyTick, signed } from '../core/format.js';
import { decades, every } from '../draw/axes.js';
import { ROW_RANGE, rowMidHz, rowSplits, rowTick } from '../draw/bandrows.js';
import { cividis, cividisIndex } from '../draw/cividis.js';
import { PAPER } from '../draw/paper.js';
import { momentTick, moments } from '../draw/times.js';
import { cell, save, table } from './take.js';

/** @typedef {import('../core/types.js').Watch} Watch */
/** @typedef {import('../draw/figure.js').Figure} Figure */
/**
 * @typedef {object} Sources
 * @property {import('../core/session.js').Session} session
 * @property {number} channel
 * @property {Watch|null} watch
 * @property {import('./timechart.js').TimeChart} chart
 * @property {import('./timechart.js').LimitLine|null} limit
 * @property {import('../core/types.js').WatchEvent[]} events
 * @property {string} sentence
 */

/** @param {Sources} from @param {'level'|'bands'|'difference'} plot @param {'png'|'svg'|'csv'} kind */
export function takeWatch(from, plot, kind) {
  if (kind === 'csv' && plot !== 'difference') {
    // The log as it is kept, a row a second, comes from the daemon.
    const [a, b] = from.chart.range();
    el('a', { href: `/api/v1/levels/log.csv?from=${Math.floor(a)}&to=${Math.ceil(b)}&microphone=${from.channel}`, download: '' }).click();
    return;
  }
  save(plot, kind, () => (plot === 'level' ? levelFigure(from) : plot === 'bands' ? bandFigure(from) : differenceFigure(from)), () => differenceCsv(from.watch));
}

/** @param {Sources} from */
function common({ session, channel, sentence }) {
  const level = session.levels?.microphones.find((m) => m.microphone === channel);
  const caption = [
    session.state?.source.name, session.channelName(channel), new Date().toLocaleString(),
    level?.calibrated_at ? `dB re 20 µPa, calibrated ${new Date(level.calibrated_at).toLocaleString()}` : 'dBFS, not calibrated',
    'information only; your local rules and a qualified person decide',
  ].filter(Boolean).join(' · ');
  return { sentence, caption, strip: false };
}

/** @param {Sources} from @returns {Figure} */
function levelFigure(from) {
  const { layer, from: a, to: b } = from.chart.shown();
  const range = from.chart.range();
  const grid = [];
  const laeq = [];
  const lafmax = [];
  for (let column = a; column <= b; column++) {
    const slot = layer.slot(column);
    grid.push((column + 0.5) * layer.step);
    laeq.push(slot < 0 || Number.isNaN(layer.laeq[slot]) ? null : layer.laeq[slot]);
    lafmax.push(slot < 0 || Number.isNaN(layer.lafmax[slot]) ? null : layer.lafmax[slot]);
  }
  const { yRange } = from.chart.plots.level;
  const { limit } = from;
  const curves = [
    { name: 'LAFmax', curve: { xs: [], mid: lafmax }, colour: PAPER.curves[0], dash: [2, 2] },
    { name: `LAeq of ${layer.step} s`, curve: { xs: [], mid: laeq }, colour: PAPER.curves[0], dash: /** @type {number[]} */ ([]) },
  ];
  if (limit) curves.unshift({ name: limit.name, curve: { xs: [], mid: grid.map(() => limit.db) }, colour: PAPER.ink, dash: [10, 5] });
  return {
    ...common(from), title: 'Level, dB over time', grid, curves,
    x: { range, log: false, splits: moments(...range, 1090), tick: (v) => momentTick(v, range[1] - range[0]) },
    y: { range: yRange, splits: every([1, 2, 5, 10, 20], 30)(...yRange, 410), tick: (v) => fixed(v, 0) },
    under: (ctx, x) => {
      ctx.fillStyle = PAPER.ink;
      for (const e of from.events) ctx.fillRect(x(Date.parse(e.at) / 1000) - 0.5, 120, 1, 410);
    },
  };
}

/** @param {Sources} from @returns {Figure} */
function bandFigure(from) {
  const { layer, from: a, to: b } = from.chart.shown();
  const range = from.chart.range();
  const [low, high] = from.chart.heatRange;
  return {
    ...common(from), title: 'Level in third octaves, Hz over time', grid: [], curves: [],
    x: { range, log: false, splits: moments(...range, 1090), tick: (v) => momentTick(v, range[1] - range[0]) },
    y: { range: ROW_RANGE, splits: rowSplits(0, 0, 410), tick: rowTick },
    beside: (ctx) => {
      for (let k = 0; k < 256; k += 4) {
        ctx.fillStyle = cividis(k);
        ctx.fillRect(840 + k, 92, 4.4, 14);
      }
      ctx.fillStyle = PAPER.quiet;
      ctx.textBaseline = 'middle';
      ctx.textAlign = 'right';
      ctx.fillText(fixed(low, 0), 832, 99);
      ctx.textAlign = 'left';
      ctx.fillText(`${fixed(high, 0)} dB`, 1104, 99);
    },
    under: (ctx, x, y) => {
      for (let row = 0; row < layer.bandMidHz.length; row++) {
        const [top, height] = [y(row + 0.5), y(row - 0.5) - y(row + 0.5)];
        // Equal neighbours are one rectangle: drawings stay small.
        for (let column = a; column <= b; ) {
          const k = indexOf(layer, column, row, low, high);
          const start = column;
          while (column <= b && indexOf(layer, column, row, low, high) === k) column++;
          if (k < 0) continue;
          ctx.fillStyle = cividis(k);
          ctx.fillRect(x(start * layer.step), top, x(column * layer.step) - x(start * layer.step) + 0.4, height + 0.4); // no seams
        }
      }
    },
  };
}

/** @param {import('../draw/levelcolumns.js').LevelColumns} layer @param {number} column @param {number} row @param {number} low @param {number} high */
function indexOf(layer, column, row, low, high) {
  const slot = layer.slot(column);
  const v = slot < 0 ? NaN : layer.band(slot, row);
  return Number.isNaN(v) ? -1 : cividisIndex(v, low, high) & ~3;
}

/** @param {Sources} from @returns {Figure} */
function differenceFigure(from) {
  const { watch } = from;
  const rows = watch?.low_hz.length ?? 0;
  const [left, right] = [20, 20000];
  const most = Math.max(6, ...(watch?.difference_db ?? []).map((d) => Math.abs(d ?? 0) * 1.1));
  const edge = (/** @type {number} */ sign) => (watch?.difference_db ?? []).map((d, k) => (d === null ? null : d + sign * (watch?.error_db[k] ?? 0)));
  return {
    ...common(from), title: `Difference to ${watch?.take_name || 'the baseline'}, dB over Hz; ribbon: 95 % interval`,
    grid: Array.from({ length: rows }, (_, k) => Math.sqrt((watch?.low_hz[k] ?? 1) * (watch?.high_hz[k] ?? 1))),
    curves: [{ name: from.session.channelName(from.channel), curve: { xs: [], mid: watch?.difference_db ?? [], low: edge(-1), high: edge(1) }, colour: PAPER.curves[0], dash: [] }],
    x: { range: [left, right], log: true, splits: decades(left, right), tick: frequencyTick },
    y: { range: [-most, most], splits: every([1, 2, 3, 6, 12, 24], 30)(-most, most, 410), tick: (v) => signed(v, 0) },
  };
}

/** @param {Watch|null} watch */
function differenceCsv(watch) {
  const rows = ['low_hz,high_hz,difference_db,error_db'];
  watch?.low_hz.forEach((low, k) => rows.push([cell(low), cell(watch.high_hz[k]), cell(watch.difference_db[k]), cell(watch.error_db[k])].join(',')));
  return `${rows.join('\n')}\n`;
}

/** @param {Sources} from */
export function watchTables(from) {
  const { layer, from: a, to: b } = from.chart.shown();
  const levels = [];
  const stride = Math.max(1, Math.ceil((b - a + 1) / 60)); // as many as one may want to hear
  for (let column = b; column >= a; column -= stride) {
    const slot = layer.slot(column);
    if (slot >= 0 && layer.covered[slot]) levels.push([clock(column * layer.step * 1000), fixed(layer.laeq[slot], 1), fixed(layer.lafmax[slot], 1), fixed(layer.lceq[slot], 1), fixed(layer.lcpeak[slot], 1)]);
  }
  const newest = from.chart.atLine();
  const bands = layer.bandMidHz.map((_, row) => {
    const k = from.watch?.low_hz.findIndex((low, i) => rowMidHz(row) >= low * 0.999 && rowMidHz(row) < /** @type {Watch} */ (from.watch).high_hz[i]) ?? -1;
    return [frequencyTick(Number(rowMidHz(row).toPrecision(3))), fixed(newest.slot < 0 ? null : layer.band(newest.slot, row), 1), signed(k < 0 ? null : from.watch?.difference_db[k], 1), fixed(k < 0 ? null : from.watch?.error_db[k], 1)];
  });
  return el('div', { class: 'tables' },
    table('Events', ['', 'what', 'sure', 'acknowledged'], from.events.slice(0, 100).map((e) => [clock(Date.parse(e.at)), e.text, e.certainty, e.acknowledged ? `yes ${e.comment}` : `no ${e.comment}`])),
    table(`Bands at ${clock(newest.unixS * 1000)}, and difference to the baseline`, ['Hz', 'dB', 'difference', '±'], bands),
    table(`Levels, ${layer.step * stride} s apart, of ${layer.step} s each, dB`, ['', 'LAeq', 'LAFmax', 'LCeq', 'LCpeak'], levels));
}
