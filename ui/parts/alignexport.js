// @ts-check
// Taking the plots of the Align page away.

import { el } from '../core/dom.js';
import { fixed, frequencyTick, signed } from '../core/format.js';
import { decades, every } from '../draw/axes.js';
import { PAPER } from '../draw/paper.js';
import { colourOf, nearest } from './chart.js';
import { cell, save, table } from './take.js';

/** @typedef {{model: import('./alignmodel.js').AlignModel, session: import('../core/session.js').Session,
 *   sweep: import('./sweep.js').Sweep, sum: import('./sumplots.js').SumPlots}} Sources */
/** @typedef {'png'|'svg'|'csv'} Kind */

/** @param {Sources} from */
function heading({ model, session }) {
  const { answer, setting } = model;
  const turned = setting.sign < 0 ? ', the second turned over' : '';
  return {
    sentence: document.querySelector('.sentence')?.textContent ?? '',
    caption: [`${session.show?.name ?? ''}, ${model.main} and ${model.fill}`, `band ${answer?.band_hz.map((f) => fixed(f, 0)).join(' to ') ?? ''} Hz`,
      `${setting.delayMs < 0 ? model.main : model.fill} ${fixed(Math.abs(setting.delayMs), 2)} ms later${turned}`, `heads ±${model.spreadCM} cm`, `air ${fixed(answer?.temperature_c, 1)} °C`, new Date().toLocaleString()].join(' · '),
  };
}

/** @param {Sources} from @param {'magnitude'|'phase'} plot @param {Kind} kind */
export function saveSum(from, plot, kind) {
  const { sum, model } = from;
  const range = sum.plots.magnitude.xRange;
  const phase = plot === 'phase';
  /** @type {[number, number]} */
  const yRange = phase ? [-180, 180] : sum.plots.magnitude.yRange;
  const curves = () => sum.curves().flatMap((c) => {
    const curve = c[plot]?.([]);
    return curve ? [{ name: c.name, curve, colour: colourOf(c.ink, PAPER), dash: c.dash }] : [];
  });
  save(`${plot}-${model.seat?.name ?? 'seat'}`, kind, () => ({
    ...heading(from), title: phase ? `Phase between ${model.main} and ${model.fill} at ${model.seat?.name}, degrees over Hz` : `Magnitude at ${model.seat?.name}, dB over Hz`,
    strip: true, grid: model.account?.frequency_hz ?? [], curves: curves(),
    x: { range, log: true, splits: decades(...range), tick: frequencyTick },
    y: { range: yRange, splits: phase ? [-180, -90, 0, 90, 180] : every([1, 2, 3, 6, 12, 24], 30)(...yRange, 410), tick: (v) => signed(v, 0) },
  }), () => sum.rows());
}

/** @param {Sources} from @param {Kind} kind */
export function saveSweep(from, kind) {
  const { sweep, model } = from;
  const { grid, lines, total } = sweep.data;
  const sign = model.setting.sign < 0 ? 'opposite' : 'same';
  const seats = model.answer?.seats ?? [];
  const range = sweep.plot.xRange;
  save('sum-over-delay', kind, () => ({
    ...heading(from), title: 'Sum over delay where heads are, dB of the ideal over ms', strip: false, grid,
    curves: [
      ...lines.map((l, k) => ({ name: seats[k]?.name ?? '', curve: { xs: [], mid: Array.from(l[sign]) }, colour: PAPER.curves[k % 4], dash: k < 4 ? [] : [4, 3] })),
      { name: model.aim === 'worst' ? 'worst seat' : 'mean', curve: { xs: [], mid: total[sign] }, colour: PAPER.ink, dash: [] },
    ],
    x: { range, log: false, splits: every([0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20], 80)(...range, 1090), tick: (v) => signed(v, v % 1 ? 2 : 0) },
    y: { range: sweep.plot.yRange, splits: every([1, 2, 3, 6], 30)(...sweep.plot.yRange, 410), tick: (v) => signed(v, 0) },
  }), () => {
    const head = ['delay_ms', ...seats.flatMap((s) => [`${quoted(s.name)} same`, `${quoted(s.name)} opposite`])];
    return `${head.join(',')}\n${grid.map((ms, i) => [ms, ...lines.flatMap((l) => [l.same[i], l.opposite[i]])].map(cell).join(',')).join('\n')}\n`;
  });
}

/** @param {string} name */
const quoted = (name) => name.replaceAll(/[",\n]/g, ' ');

/** The numbers behind the page, for those who listen to it or copy from it. @param {Sources} from */
export function sumTable({ model, sum }) {
  const seat = model.account;
  const { answer, now, levels } = model;
  if (!seat || !answer) return el('p', { text: 'Nothing is measured yet.' });
  const { a, b, both, predicted } = sum.levels;
  const rows = [];
  for (let k = -17; k <= 13; k++) {
    const hz = 1000 * 10 ** (k / 10); // base-ten third octaves, IEC 61260-1
    const i = nearest(seat.frequency_hz, hz);
    rows.push([hz < 995 ? hz.toFixed(hz < 99 ? 1 : 0) : `${(hz / 1000).toFixed(2)} k`, ...[a, b, both, predicted].map((r) => {
      const [mid, low, high] = [r?.mid[i] ?? NaN, r?.low[i] ?? NaN, r?.high[i] ?? NaN];
      return `${signed(mid, 1)}${Number.isFinite(high - low) ? ` ±${fixed((high - low) / 2, 1)}` : ''}`;
    })]);
  }
  return el('div', { class: 'tables' },
    table('Level of the sum where heads are, dB over the louder one alone', ['seat', 'today', 'under the handle', 'change'], answer.seats.map((s, k) => [s.name, signed(levels.today[k], 2), signed(levels.now[k], 2), signed(levels.now[k] - levels.today[k], 2)])),
    table('Efficiency of the sum where heads are, dB of the ideal', ['seat', 'today', 'plan', '95 %, from', 'to', 'under the handle'], answer.seats.map((s, k) => [s.name, signed(s.today_db, 2), signed(s.plan_db, 2), signed(s.low_db, 2), signed(s.high_db, 2), signed(now[k], 2)])),
    table(`Ledger at ${seat.name}, dB`, ['cause', 'change', 'low', 'high'], seat.ledger.map((r) => [r.cause, signed(r.change_db, 2), signed(r.low_db, 2), signed(r.high_db, 2)])),
    table(`Levels at ${seat.name}, dB`, ['Hz', model.main, model.fill, 'both', 'predicted'], rows));
}
