// @ts-check
// Taking a plot away: as a picture, as a drawing, or as numbers.

import { el } from '../core/dom.js';
import { fixed, frequencyTick, signed } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { decades, every } from '../draw/axes.js';
import { HEIGHT, WIDTH, paintFigure } from '../draw/figure.js';
import { PAPER } from '../draw/paper.js';
import { allArrivals } from './arrivals.js';
import { colourOf } from './chart.js';
import { SvgContext } from '../draw/svgcontext.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {'magnitude'|'phase'|'impulse'} PlotName */
/** @typedef {{session: Session, view: View, spectrum: import('./spectrum.js').Spectrum, impulse: import('./impulse.js').Impulse}} Sources */

const TITLES = { magnitude: 'Magnitude, dB over Hz', phase: 'Phase, degrees over Hz', impulse: 'Impulse response over ms' };

/** @param {Sources} from @param {PlotName} plot @param {'png'|'svg'|'csv'} kind */
export function take(from, plot, kind) {
  save(plot, kind, () => figureOf(from, plot), () => (plot === 'impulse' ? impulseCsv(from) : responseCsv(from)));
}

/**
 * @param {string} what for the file's name @param {'png'|'svg'|'csv'} kind
 * @param {() => import('../draw/figure.js').Figure} figureOf @param {() => string} csv
 */
export function save(what, kind, figureOf, csv) {
  const name = `plumbline-${what}-${new Date().toISOString().replace(/[:.]/g, '-').slice(0, 19)}.${kind}`;
  if (kind === 'csv') {
    download(name, new Blob([csv()], { type: 'text/csv' }));
    return;
  }
  const figure = figureOf();
  if (kind === 'svg') {
    const svg = new SvgContext();
    paintFigure(svg, figure);
    download(name, new Blob([new XMLSerializer().serializeToString(svg.element(WIDTH, HEIGHT, figure.title))], { type: 'image/svg+xml' }));
    return;
  }
  const canvas = el('canvas', { width: WIDTH * 2, height: HEIGHT * 2 });
  const ctx = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
  ctx.scale(2, 2);
  paintFigure(ctx, figure);
  canvas.toBlob((blob) => blob && download(name, blob), 'image/png');
}

/** @param {string} name @param {Blob} blob */
function download(name, blob) {
  const url = URL.createObjectURL(blob);
  el('a', { href: url, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}

/** @param {Sources} from @param {PlotName} plot @returns {import('../draw/figure.js').Figure} */
function figureOf({ session, view, spectrum, impulse }, plot) {
  const known = session.state?.settings.microphones ?? [];
  const front = view.front(known);
  const common = { title: TITLES[plot], sentence: session.verdicts.get(front)?.text ?? '', caption: caption(session) };
  if (plot === 'impulse') {
    const range = impulse.plot.xRange;
    const colour = PAPER.curves[known.indexOf(front) % 4];
    const { scale } = impulse;
    return {
      ...common, title: `Impulse response, ${scale.unit}, over ms`, strip: false, grid: impulse.axis,
      curves: impulse.shapes(session.frame.curve(front, CURVE.impulse)).map((mid, k) => ({ name: k ? 'envelope' : session.channelName(front), curve: { xs: [], mid }, colour, dash: [], width: k ? 3 : undefined })),
      x: { range, log: false, splits: every([0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500], 80)(...range, 1090), tick: (v) => fixed(v, v % 1 ? 1 : 0) },
      y: { range: scale.range, splits: scale.splits, tick: scale.tick },
    };
  }
  const range = spectrum.plots.magnitude.xRange;
  const phase = plot === 'phase';
  const shown = phase ? spectrum.plots.phase : spectrum.plots.magnitude;
  const yRange = shown?.yRange ?? [-180, 180];
  const lower = spectrum.lower;
  return {
    ...common, ...(phase && { title: `${lower.title}, ${lower.unit} over Hz` }), strip: true, grid: session.grid,
    curves: spectrum.all().flatMap((d) => {
      const curve = d[plot]?.([]);
      return curve && d.name ? [{ name: d.name, curve, colour: colourOf(d.ink, PAPER), dash: d.dash }] : [];
    }),
    x: { range, log: true, splits: decades(...range), tick: frequencyTick },
    y: { range: yRange, splits: phase ? lower.splits(...yRange, 410) : every([1, 2, 3, 6, 12, 24], 30)(...yRange, 410), tick: phase ? lower.tick : (v) => signed(v, 0) },
  };
}

/** @param {Session} session */
function caption(session) {
  const { state, frame } = session;
  if (!state) return '';
  const { settings, source } = state;
  const a = settings.averaging;
  return [
    `${source.name}, ${source.rate_hz} Hz`, new Date(frame.timeMs).toLocaleString(),
    `averaging ${a.mode === 'time' ? `${a.seconds} s` : a.mode}`, `smoothing 1/${settings.smoothing} octave`,
    `window ${settings.window === 'multi' ? 'multi' : `${settings.window} samples`}`,
    'ribbon: 95 % interval; line where coherence is above the chance threshold',
  ].join(' · ');
}

/** @param {number|null|undefined} v */
export const cell = (v) => (v === null || v === undefined || !Number.isFinite(v) ? '' : String(Number(v.toPrecision(7))));

/** @param {Sources} from */
function responseCsv({ session, view, spectrum }) {
  const known = session.state?.settings.microphones ?? [];
  const rows = ['channel,frequency_hz,magnitude_db,magnitude_low_db,magnitude_high_db,phase_deg,phase_error_deg,coherence,threshold,effective_averages'];
  for (const c of view.shown(known)) {
    const m = spectrum.curve(c, []);
    const ids = [CURVE.phase, CURVE.phaseError, CURVE.coherence, CURVE.threshold, CURVE.effectiveAverages];
    const more = ids.map((id) => session.frame.curve(c, id));
    session.grid.forEach((hz, i) => rows.push([c, cell(hz), cell(m.mid[i]), cell(m.low?.[i]), cell(m.high?.[i]), ...more.map((v) => cell(v[i]))].join(',')));
  }
  for (const d of spectrum.all().filter((x) => x.stored)) {
    const [m, p] = [d.magnitude?.([]), d.phase?.([])];
    session.grid.forEach((hz, i) => rows.push([d.name.replaceAll(',', ' '), cell(hz), cell(m?.mid[i]), cell(m?.low?.[i]), cell(m?.high?.[i]), spectrum.lower.unit === 'degrees' ? cell(p?.mid[i]) : '', '', cell(m?.coherence?.[i]), cell(m?.threshold?.[i]), ''].join(',')));
  }
  return `${rows.join('\n')}\n`;
}

/** @param {Sources} from */
function impulseCsv({ session, view, impulse }) {
  const front = view.front(session.state?.settings.microphones ?? []);
  const values = session.frame.curve(front, CURVE.impulse);
  return `time_ms,impulse\n${impulse.axis.map((t, k) => `${cell(t)},${cell(values[k])}`).join('\n')}\n`;
}

/** The numbers behind the plots as a table, in third octaves, for those who listen to the page or copy from it. @param {Sources} from */
export function tables({ session, view, spectrum }) {
  const front = view.front(session.state?.settings.microphones ?? []);
  const m = spectrum.curve(front, []);
  const p = spectrum.phaseCurve(front, []);
  const rows = [];
  for (let k = -17; k <= 13; k++) {
    const hz = 1000 * 10 ** (k / 10); // base-ten third octaves, IEC 61260-1
    let i = 0;
    while (i + 1 < session.grid.length && Math.abs(Math.log(session.grid[i + 1] / hz)) <= Math.abs(Math.log(session.grid[i] / hz))) i++;
    const c = m.coherence?.[i] ?? null;
    const limit = m.threshold?.[i] ?? null;
    rows.push([hz < 995 ? hz.toFixed(hz < 99 ? 1 : 0) : `${(hz / 1000).toFixed(2)} k`, signed(m.mid[i], 1), signed(m.low?.[i], 1), signed(m.high?.[i], 1), signed(p.mid[i], 0), fixed(c, 2), c !== null && limit !== null && c >= limit ? 'yes' : 'no']);
  }
  return el('div', { class: 'tables' },
    table(`Response of ${session.channelName(front)}, by third octaves`, ['Hz', 'dB', 'low', 'high', 'phase °', 'coherence', 'trusted'], rows),
    table('Arrivals', ['', 'ms', 'm', 'dB', 'polarity'], allArrivals(session.frame, front).map((a, k) => [String(k + 1), fixed(a.delay, 3), fixed((a.delay / 1000) * session.speedOfSound, 2), fixed(a.level, 1), a.sign < 0 ? 'opposite' : a.sign > 0 ? 'same' : 'undecided'])));
}

const WORDS = 24; // letters

/** @param {string} caption @param {string[]} head @param {string[][]} rows */
export function table(caption, head, rows) {
  const words = head.map((_, k) => (rows.some((row) => row[k].length > WORDS) ? 'words' : null)); // sentences begin at the left
  return el('table', {}, el('caption', { text: caption }), el('thead', {}, el('tr', {}, ...head.map((text, k) => el('th', { text, scope: 'col', class: words[k] })))),
    el('tbody', {}, ...rows.map((row) => el('tr', {}, ...row.map((text, k) => (k ? el('td', { text, class: words[k] }) : el('th', { text, scope: 'row', class: words[k] })))))));
}
