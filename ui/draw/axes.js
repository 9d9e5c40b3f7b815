// @ts-check
// Axes on any 2D context: where a value lies, which values have a line, and the words at the lines.

/** @typedef {[number, number]} Range */
/** @typedef {{left: number, top: number, width: number, height: number}} Box */
/** @typedef {{splits: number[], tick: (v: number) => string, at: (v: number) => number}} Ticks at: where on the context */
/**
 * @typedef {object} AxesStyle in units of the context
 * @property {string} grid
 * @property {string} words
 * @property {number} font
 * @property {number} gap between the box and the words left of it
 * @property {number} [below] between the box and the words under it; without, there are none
 * @property {boolean} [crisp] the units are pixels, and each line fills one
 */

export const FONT = 'px system-ui, sans-serif';
const ROOM = 8; // units between words
const LEADING = 1.5;

/**
 * Where values lie when the ends of their range lie at two places, and the value at a place.
 * @param {Range} range @param {boolean|undefined} log @param {number} first @param {number} last
 */
export function along([low, high], log, first, last) {
  const by = log ? Math.log : Number;
  const from = by(low);
  const scale = (last - first) / (by(high) - from);
  const back = (/** @type {number} */ place) => from + (place - first) / scale;
  return {
    at: (/** @type {number} */ v) => first + (by(v) - from) * scale,
    from: log ? (/** @type {number} */ place) => Math.exp(back(place)) : back,
  };
}

/**
 * The grid of a box, and what its lines stand for.
 * @param {CanvasRenderingContext2D} ctx @param {Box} box @param {Ticks} x @param {Ticks} y @param {AxesStyle} style
 */
export function paintAxes(ctx, box, x, y, style) {
  const [right, bottom] = [box.left + box.width, box.top + box.height];
  const place = (/** @type {number} */ v) => (style.crisp ? Math.floor(v) + 0.5 : v);
  ctx.strokeStyle = style.grid;
  ctx.lineWidth = 1;
  ctx.beginPath();
  for (const v of y.splits) {
    ctx.moveTo(box.left, place(y.at(v)));
    ctx.lineTo(right, place(y.at(v)));
  }
  for (const v of x.splits) {
    ctx.moveTo(place(x.at(v)), box.top);
    ctx.lineTo(place(x.at(v)), bottom);
  }
  ctx.stroke();
  ctx.fillStyle = style.words;
  ctx.font = style.font + FONT;
  ctx.textBaseline = 'middle';
  ctx.textAlign = 'right';
  for (const v of y.splits) ctx.fillText(y.tick(v), box.left - style.gap, y.at(v));
  ctx.textBaseline = 'top';
  if (style.below !== undefined) paintWords(ctx, x, bottom + style.below, { leading: LEADING * style.font });
}

/**
 * Words along an axis in the ink, font and baseline that are set, none over another.
 * @param {CanvasRenderingContext2D} ctx @param {Ticks} x @param {number} y
 * @param {{ends?: Range, covered?: Range, leading?: number}} [keep] ends: they stay between; covered: none stands there; leading: of a second line
 */
export function paintWords(ctx, x, y, { ends = [-Infinity, Infinity], covered = [0, 0], leading = 0 } = {}) {
  ctx.textAlign = 'center';
  let free = -Infinity;
  for (const v of x.splits) {
    const lines = x.tick(v).split('\n');
    const half = Math.max(...lines.map((text) => ctx.measureText(text).width)) / 2;
    const at = Math.min(ends[1] - half, Math.max(ends[0] + half, x.at(v)));
    if (at - half < free || (at + half > covered[0] && at - half < covered[1])) continue;
    lines.forEach((text, k) => ctx.fillText(text, at, y + k * leading));
    free = at + half + ROOM;
  }
}

/** 1-2-5 ticks of a frequency axis. @param {number} lo @param {number} hi */
export function decades(lo, hi) {
  const out = [];
  const narrow = hi / lo < 6;
  const mantissas = narrow ? [1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8] : [1, 2, 5];
  for (let d = 10 ** Math.floor(Math.log10(lo)); d <= hi; d *= 10) {
    for (const m of mantissas) if (m * d >= lo * 0.9999 && m * d <= hi * 1.0001) out.push(Number((m * d).toPrecision(4)));
  }
  return out;
}

/** Ticks at the closest of these steps that leaves room for them. @param {number[]} steps ascending @param {number} room CSS pixels a tick */
export function every(steps, room) {
  return (/** @type {number} */ lo, /** @type {number} */ hi, /** @type {number} */ pixels) => {
    const step = steps.find((s) => (hi - lo) / s <= pixels / room) ?? steps[steps.length - 1];
    const out = [];
    for (let v = Math.ceil(lo / step - 1e-6) * step; v <= hi + step * 1e-6; v += step) out.push(Number(v.toPrecision(8)));
    return out;
  };
}
