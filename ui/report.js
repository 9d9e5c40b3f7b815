// @ts-check
// The plots of a report, drawn by what draws the pages from the numbers that the report carries. It stands alone: no
// module here may ask a server for anything.

import { signed, frequencyTick } from './core/format.js';
import { GRID } from './core/overlay.js';
import { magnitude, predict, ribbon, settingOf, smoothLevel } from './core/phasor.js';
import { targetOn } from './core/target.js';
import { decades, every } from './draw/axes.js';
import { DASHES, inkOf } from './draw/dashes.js';
import { paintDrawing } from './draw/figure.js';
import { ledgerHeight, paintLedger } from './draw/ledger.js';
import { namesBeside } from './draw/names.js';
import { PlanWords } from './parts/planwords.js';
import { PAPER } from './draw/paper.js';
import { SvgContext } from './draw/svgcontext.js';

/** @typedef {import('./core/types.js').Align} Align */
/** @typedef {import('./core/types.js').AlignSeat} AlignSeat */
/** @typedef {import('./core/types.js').Complex} Complex */
/** @typedef {import('./draw/figure.js').FigureCurve} FigureCurve */

// On a phone a plot is as wide as the page, so that its words can be read; on paper and elsewhere WIDTH.
const WIDTH = Math.min(700, Math.max(340, document.querySelector('[data-plot="sweep"]')?.clientWidth ?? 700));
const FONT_SIZE = 11;
const NARROW = WIDTH < 500;
const BESIDE = 104; // for names
const STYLE = { font: FONT_SIZE, gap: 6, below: 5 };
const SIXTH = 6; // of an octave
// Response and ledger of a seat stand side by side where there is room.
const ACROSS = NARROW ? WIDTH : 424; // on 110 mm of paper FONT_SIZE is 8 points then
const HIGH = 118;
const SWEEP = 144;
const NEAR = 44;

/** @param {number} height @param {string} title @param {(ctx: CanvasRenderingContext2D) => void} paint @param {number} [width] */
function drawn(height, title, paint, width = WIDTH) {
  const context = new SvgContext();
  paint(/** @type {CanvasRenderingContext2D} */ (/** @type {unknown} */ (context)));
  const node = context.element(width, height, title);
  node.setAttribute('aria-label', title);
  return node;
}

/**
 * Curves on axes, their names beside them.
 * @param {CanvasRenderingContext2D} ctx @param {number} width @param {number} height @param {number} below room for what is under the words
 * @param {import('./draw/figure.js').Drawing} drawing
 */
function plot(ctx, width, height, below, drawing) {
  const box = { left: 40, top: 8, width: width - 40 - BESIDE, height: height - 30 - below };
  const at = paintDrawing(ctx, box, drawing, STYLE);
  const labels = drawing.curves.filter((c) => c.name && c.curve.mid.some((v) => v !== null)).map(({ name, curve, colour }) => {
    let end = curve.mid.length - 1;
    while (end > 0 && (curve.mid[end] === null || drawing.grid[end] > drawing.x.range[1])) end--;
    return { x: 0, y: Math.min(box.top + box.height, Math.max(box.top, at.y(curve.mid[end] ?? drawing.y.range[0]))), name, colour };
  });
  namesBeside(ctx, box, labels, FONT_SIZE, BESIDE - FONT_SIZE);
  return { box, at };
}

/** Before, what the plan promises, and what the proof has measured. @param {Align} align @param {AlignSeat} seat @param {import('./core/types.js').StoredPlan|null} done the plan, where it is dialled in and proven */
function magnitudes(align, seat, done) {
  const hz = seat.frequency_hz;
  const plan = align.plan;
  const none = hz.map(() => 0);
  const smooth = (/** @type {(number|null)[]} */ db) => smoothLevel(hz, db, none, none, SIXTH, ribbon()).mid;
  const level = (/** @type {Complex} */ h) => smooth(magnitude(h, []).map((v, i) => (h.trusted[i] ? v : null)));
  /** @type {FigureCurve[]} */
  const curves = [
    { name: label(align.main), curve: { xs: [], mid: level(seat.a) }, colour: PAPER.curves[0], dash: [], width: 1.3 },
    { name: label(align.fill), curve: { xs: [], mid: level(seat.b) }, colour: PAPER.curves[1], dash: [2, 2], width: 1.3 },
  ];
  const sum = (/** @type {import('./core/phasor.js').Setting} */ x) => smooth(predict(hz, seat.a, seat.b, x, []).map((v, i) => (seat.a.trusted[i] && seat.b.trusted[i] ? v : null)));
  const both = (/** @type {string} */ name) => seat.both && curves.push({ name, curve: { xs: [], mid: level(seat.both) }, colour: PAPER.ink, dash: [], width: 2.2 });
  const then = { colour: PAPER.ink, dash: [7, 4], width: 1.6 };
  if (done && seat.both) { // the plan is today: before it, the fill stood where it takes back
    const { delayMs, sign, gainDB } = settingOf(done.plan);
    curves.push({ name: 'before', curve: { xs: [], mid: sum({ delayMs: -delayMs, sign, gainDB: -gainDB }) }, colour: PAPER.quiet, dash: [2, 3], width: 1.6 });
    curves.push({ name: 'promised', curve: { xs: [], mid: sum({ delayMs: 0, sign: 1, gainDB: 0 }) }, ...then });
    both('measured');
  } else {
    both('both today');
    if (plan) curves.push({ name: 'with the plan', curve: { xs: [], mid: sum(settingOf(plan)) }, ...then });
  }
  const values = curves.flatMap((c) => Array.from(c.curve.mid)).filter((v) => v !== null);
  const top = values.length ? Math.ceil(Math.max(...values) / 6) * 6 : 0;
  const title = `Magnitude at ${short(seat.name)}, dB over Hz`;
  return drawn(HIGH, title, (ctx) => plot(ctx, ACROSS, HIGH, 0, {
    grid: hz, curves,
    x: HERTZ,
    y: { range: [top - 42, top], splits: every([6], 0)(top - 42, top, 1), tick: (v) => signed(v, 0) },
    under: (c, x, y) => { // outside the band nothing counts
      c.fillStyle = PAPER.outside;
      const [low, high] = align.band_hz.length === 2 ? align.band_hz.map((f) => x(Math.min(20000, Math.max(20, f)))) : [x(20), x(20000)];
      c.fillRect(x(20), y(top), low - x(20), y(top - 42) - y(top));
      c.fillRect(high, y(top), x(20000) - high, y(top - 42) - y(top));
    },
  }), ACROSS);
}

/** The room from above, the way round that the pages have it: seats, and loudspeakers where their places are known. @returns {Element|null} */
function map() {
  const seats = /** @type {import('./core/types.js').Seat[]} */ (data.seats ?? []).filter((s) => s.position_m);
  const boxes = Object.entries(/** @type {Record<string, number[]>} */ (data.places?.loudspeakers ?? {}));
  if (!seats.length) return null;
  const room = data.places?.room_m ?? [1, 2].map((_, a) => 1 + Math.max(...seats.map((s) => (s.position_m ?? [0, 0])[a])));
  const width = Math.min(224, WIDTH);
  const scale = Math.min((width - 20) / room[0], 150 / room[1]);
  const height = room[1] * scale + 20;
  const at = (/** @type {number[]} */ p) => /** @type {[number, number]} */ ([10 + p[0] * scale, 10 + p[1] * scale]);
  return drawn(height, 'The room from above', (ctx) => {
    ctx.strokeStyle = PAPER.rule;
    ctx.lineWidth = 1;
    ctx.strokeRect(10, 10, room[0] * scale, room[1] * scale);
    const things = [...boxes.map(([name, p]) => ({ name: label(name), kind: /** @type {const} */ ('loudspeakers'), at: at(p) })), ...seats.map((s) => ({ name: label(s.name), kind: /** @type {const} */ ('microphones'), at: at(s.position_m ?? [0, 0]) }))];
    const words = new PlanWords({ left: 10, right: 10 + room[0] * scale, top: 10, bottom: height - 10 }, things);
    ctx.font = `${FONT_SIZE}px system-ui, sans-serif`;
    ctx.textAlign = 'center';
    ctx.textBaseline = 'alphabetic';
    for (const { name, kind, at: [x, y] } of things) {
      ctx.fillStyle = kind === 'loudspeakers' ? PAPER.curves[0] : PAPER.brass;
      if (kind === 'loudspeakers') ctx.fillRect(x - 5, y - 5, 10, 10);
      else {
        ctx.beginPath();
        ctx.moveTo(x, y - 6);
        for (const [dx, dy] of [[6, 0], [0, 6], [-6, 0]]) ctx.lineTo(x + dx, y + dy);
        ctx.closePath();
        ctx.fill();
      }
      const spot = words.name(name, kind, [x, y]);
      ctx.fillStyle = PAPER.ink;
      if (spot.free) ctx.fillText(spot.text, spot.x, spot.y); // the table has it
    }
  }, width);
}

/** Efficiency over delay, a line a seat. @param {Align} align @param {number} worst */
function sweep(align, worst) {
  const delay = align.curve.delay_ms ?? [];
  if (!align.plan || delay.length < 2) return null;
  const { delayMs: at, sign } = settingOf(align.plan);
  const room = Math.max(1, 0.35 * Math.abs(at));
  /** @type {[number, number]} */
  const range = [Math.max(delay[0], Math.min(0, at) - room), Math.min(delay[delay.length - 1], Math.max(0, at) + room)];
  const inside = (/** @type {import('./core/types.js').DelayCurve} */ c, /** @type {number} */ of) =>
    (of > 0 ? c.same_db : c.opposite_db).filter((_, i) => delay[i] >= range[0] && delay[i] <= range[1]);
  const few = align.seats.length <= 10;
  /** @type {FigureCurve[]} */
  const curves = align.seats.map((s) => ({ name: few ? (s.seat === worst ? `${label(s.name, LETTERS - 2)} ▼` : label(s.name)) : '', curve: { xs: [], mid: inside(s.curve, sign) }, colour: PAPER.curves[2], dash: [], width: 0.9 }));
  curves.push({ name: 'other polarity', curve: { xs: [], mid: inside(align.curve, -sign) }, colour: PAPER.quiet, dash: [6, 4], width: 1.2 });
  curves.push({ name: align.seats.length > 1 ? (align.aim === 'worst' ? 'worst seat' : 'mean') : '', curve: { xs: [], mid: inside(align.curve, sign) }, colour: PAPER.ink, dash: [], width: 2.2 });
  const least = Math.min(-6, ...align.seats.flatMap((s) => inside(s.curve, sign)).map((v) => v ?? 0));
  const low = Math.max(-18, Math.floor(least / 3) * 3);
  const splits = every([0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20], 70)(...range, WIDTH - 40 - BESIDE);
  const title = 'Efficiency of the sum over delay, dB of the ideal over ms';
  const below = NARROW ? 32 : 16; // the words for who waits are apart from those of the marks where there is little room
  return drawn(SWEEP + below, title, (ctx) => {
    const { box, at: place } = plot(ctx, WIDTH, SWEEP + below, below, {
      grid: delay.filter((ms) => ms >= range[0] && ms <= range[1]), curves,
      x: { range, log: false, splits, tick: (v) => signed(v, splits.every(Number.isInteger) ? 0 : splits.every((s) => Number.isInteger(Number((10 * s).toFixed(6)))) ? 1 : 2) },
      y: { range: [low, 0], splits: every([3], 0)(low, 0, 1), tick: (v) => signed(v, 0) },
    });
    const foot = box.top + box.height + STYLE.below + 1.4 * FONT_SIZE;
    ctx.textBaseline = 'top';
    const word = (/** @type {string} */ text, /** @type {number} */ x, /** @type {CanvasTextAlign} */ align_, /** @type {string} */ ink, /** @type {string} */ weight, /** @type {number} */ lower = 0) => {
      ctx.font = `${weight}${FONT_SIZE}px system-ui, sans-serif`;
      ctx.fillStyle = ink;
      ctx.textAlign = align_;
      ctx.fillText(text, x, foot + lower);
    };
    const [today, then] = [place.x(0), place.x(at)];
    const near = Math.abs(today - then) < NEAR; // their words go to either side then
    const one = Math.abs(at) < 0.005; // ms: as it is dialled in
    const marks = /** @type {[number, string, string][]} */ (!one ? [[today, 'today', PAPER.quiet], [then, 'plan', PAPER.brass]] : [[today, 'the plan, today', PAPER.brass]]);
    for (const [x, name, ink] of marks) {
      ctx.strokeStyle = ink;
      ctx.lineWidth = 1.5;
      ctx.beginPath();
      ctx.moveTo(x, box.top);
      ctx.lineTo(x, box.top + box.height);
      ctx.stroke();
      const side = one || !near ? 0 : x === Math.min(today, then) ? -1 : 1;
      word(name, x + side * STYLE.gap / 2, side ? (side < 0 ? 'right' : 'left') : 'center', ink, '600 ');
    }
    const lower = NARROW ? 16 : 0;
    word(`${short(align.main)} waits, ms`, box.left, 'left', PAPER.quiet, '', lower);
    word(`${short(align.fill)} waits, ms`, box.left + box.width, 'right', PAPER.quiet, '', lower);
  });
}

/** @typedef {import('./core/types.js').StoredTrace & {curve: import('./core/types.js').TraceCurve}} Trace */

const HERTZ = { range: /** @type {[number, number]} */ ([20, 20000]), log: true, splits: decades(20, 20000), tick: (/** @type {number} */ v) => frequencyTick(v) + (v === 20 && !NARROW ? ' Hz' : '') };
const TALL = 300;

/** Where its coherence says so; what was imported without is taken as it is. @param {import('./core/types.js').TraceCurve} c @param {import('./core/types.js').Values} values @returns {import('./core/types.js').Values} */
const trustedOf = ({ coherence, threshold }, values) => values.map((v, i) => (/** @type {number} */ (coherence[i] ?? 1) < (threshold[i] ?? 0) ? null : v));

/**
 * Mean over a sixth of an octave about each point of GRID, of what is known there.
 * @param {number[]} hz ascending @param {import('./core/types.js').Values} values
 * @param {(v: number, i: number) => [number, number]} parts what is added @param {(mean: [number, number]) => number} back
 */
function sixths(hz, values, parts, back) {
  const half = 2 ** (0.5 / SIXTH);
  let [from, to, x, y, count] = [0, 0, 0, 0, 0];
  const add = (/** @type {number} */ i, /** @type {1|-1} */ way) => {
    const v = values[i];
    if (v == null) return;
    const [px, py] = parts(v, i);
    [x, y, count] = [x + way * px, y + way * py, count + way];
  };
  return GRID.map((f) => {
    while (to < hz.length && hz[to] <= f * half) add(to++, 1);
    while (from < to && hz[from] < f / half) add(from++, -1);
    return count ? back([x / count, y / count]) : null;
  });
}

/** @param {Trace} t */
const levels = ({ curve: c }) => sixths(c.frequency_hz, trustedOf(c, c.magnitude_db), (db) => [10 ** (db / 10), 0], ([power]) => 10 * Math.log10(Math.max(power, 1e-30)));

/** @param {Trace} t */
const angles = ({ curve: c }) => sixths(c.frequency_hz, trustedOf(c, c.phase_deg), (deg, i) => {
  const [size, radian] = [10 ** ((c.magnitude_db[i] ?? -300) / 20), (deg * Math.PI) / 180];
  return [size * Math.cos(radian), size * Math.sin(radian)];
}, ([re, im]) => (Math.atan2(im, re) * 180) / Math.PI);

/** @param {Trace} t @param {import('./core/types.js').Values} mid on GRID @param {number} [wrap] @returns {FigureCurve} */
const traceCurve = (t, mid, wrap) => ({ name: label(`${t.number} ${t.name}`), curve: { xs: [], mid, wrap }, colour: PAPER.curves[inkOf(t.number)], dash: DASHES[Math.floor(t.number / 4) % DASHES.length], width: 1.3 });

/** @param {string} title @param {import('./draw/figure.js').Drawing['y']} y @param {FigureCurve[]} curves on GRID */
const beside = (title, y, curves) => drawn(TALL, title, (ctx) => void plot(ctx, WIDTH, TALL, 0, { grid: [...GRID], curves, x: HERTZ, y }));

/** What stands beside the live trace on Listen. */
function traces() {
  const stored = /** @type {Trace[]} */ (data.traces ?? []).map((t) => traceCurve(t, levels(t)));
  const { target } = data;
  if (target) stored.unshift({ name: label(target.name), curve: { xs: [], ...targetOn(target, GRID) }, colour: PAPER.quiet, dash: [8, 3, 2, 3], width: 1.3, fill: 0.2 });
  const values = stored.flatMap(({ curve }) => [...(curve.high ?? curve.mid)]).filter((v) => v !== null);
  const top = values.length ? Math.ceil(Math.max(...values) / 6) * 6 : 0;
  return beside('Magnitude of the stored traces, dB over Hz', { range: [top - 48, top], splits: every([6], 0)(top - 48, top, 1), tick: (v) => signed(v, 0) }, stored);
}

/** Their phase, each after its own delay. */
const phases = () => beside('Phase of the stored traces, degrees over Hz', { range: [-180, 180], splits: [-180, -90, 0, 90, 180], tick: (v) => signed(v, 0) },
  /** @type {Trace[]} */ (data.traces ?? []).map((t) => traceCurve(t, angles(t), 360)));

const LEDGER = NARROW ? WIDTH : 286;

const numbers = document.getElementById('numbers');
const data = JSON.parse(numbers?.textContent ?? '{}');
/** A name as the page has it. @param {string} name @returns {string} */
const short = (name) => data.short_names?.[name] ?? name;
const LETTERS = 13; // that there is room for on a plot
/** A name on a plot, cut in the middle: names that begin alike stay apart. @param {string} name @param {number} [most] letters */
const label = (name, most = LETTERS) => {
  const letters = [...name];
  const half = (most - 1) >> 1;
  return letters.length > most ? `${letters.slice(0, half).join('').trimEnd()}…${letters.slice(-half).join('').trimStart()}` : name;
};
for (const place of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll('[data-plot]'))) {
  const { plot: kind, pair, seat, worst } = place.dataset;
  /** @type {Align} */
  const align = data.pairs[Number(pair ?? NaN)]?.align;
  const at = align?.seats[Number(seat)];
  const kept = data.pairs[Number(pair)]?.plan;
  const done = kept?.dialled && kept.verified?.some((/** @type {import('./core/types.js').Verification} */ v) => v.seat === at?.seat) ? kept : null;
  const node = kind === 'map' ? map()
    : kind === 'traces' ? traces() : kind === 'phases' ? phases()
    : kind === 'sweep' ? sweep(align, Number(worst))
    : kind === 'magnitude' ? magnitudes(align, at, done)
      : drawn(ledgerHeight(at), `Ledger at ${short(at.name)}, dB`, (ctx) => paintLedger(ctx, at, LEDGER), LEDGER);
  if (node) place.prepend(node);
}
const link = document.querySelector('a[download]');
if (link && numbers) link.setAttribute('href', `data:application/json;charset=utf-8,${encodeURIComponent(numbers.textContent ?? '')}`);
