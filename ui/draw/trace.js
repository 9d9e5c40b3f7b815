// @ts-check
// Curves with their certainty on any 2D context: a ribbon as wide as the 95 % interval, a middle line
// that ends where coherence falls under the threshold, and only the ribbon's outline going on from there.
// Works on canvas pixels (xs) and on a function for values (y), so screen and export share it.

/** @typedef {import('../core/types.js').Values} Values */
/**
 * @typedef {object} Curve
 * @property {ArrayLike<number>} xs canvas pixels, ascending
 * @property {Values} mid
 * @property {Values} [low]
 * @property {Values} [high]
 * @property {Values} [coherence]
 * @property {Values} [threshold]
 * @property {number} [wrap] the values are angles that repeat after this many units
 */
/** @typedef {{colour: string, width: number, dash?: number[], fill: number, outline: number}} Style */
/** @typedef {Pick<CanvasRenderingContext2D, 'beginPath'|'moveTo'|'lineTo'|'closePath'|'fill'|'stroke'|'setLineDash'
 *  |'fillStyle'|'strokeStyle'|'lineWidth'|'lineJoin'|'globalAlpha'>} Context */

const FAR = 1e5; // canvas pixels: where infinity is drawn

/** Is point i above what unrelated channels reach by chance? @param {Curve} c @param {number} i */
export function trusted(c, i) {
  const coherence = c.coherence?.[i];
  if (coherence === undefined) return true;
  const threshold = c.threshold?.[i];
  return coherence !== null && threshold != null && coherence >= threshold;
}

/**
 * First and last point of each run of one kind. Neighbouring runs share a point so that the ribbon has no hole.
 * @param {Curve} c
 * @param {(from: number, to: number, trust: boolean) => void} visit
 */
function runs(c, visit) {
  const n = Math.min(c.xs.length, c.mid.length);
  for (let i = 0; i < n; ) {
    if (c.mid[i] === null) {
      i++;
      continue;
    }
    const trust = trusted(c, i);
    let j = i;
    while (j + 1 < n && c.mid[j + 1] !== null && trusted(c, j + 1) === trust && !wraps(c, j + 1)) j++;
    const join = j + 1 < n && c.mid[j + 1] !== null && !wraps(c, j + 1) ? j + 1 : j;
    visit(i, join, trust);
    i = j + 1;
  }
}

/** @param {Curve} c @param {number} i */
function wraps(c, i) {
  if (!c.wrap) return false;
  const a = c.mid[i - 1];
  const b = c.mid[i];
  return a !== null && b !== null && Math.abs(b - a) > c.wrap / 2;
}

/** @param {number} v */
const near = (v) => (v > FAR ? FAR : v < -FAR ? -FAR : v);

/**
 * @param {Context} ctx
 * @param {Curve} c
 * @param {(v: number) => number} y
 * @param {Style} style
 */
export function ribbon(ctx, c, y, style) {
  const { low, high } = c;
  if (!low?.length || !high?.length) return;
  const turns = c.wrap ? [-c.wrap, 0, c.wrap] : [0];
  ctx.fillStyle = ctx.strokeStyle = style.colour;
  ctx.lineWidth = Math.min(1, style.width);
  ctx.lineJoin = 'round';
  runs(c, (from, to, trust) => {
    for (const turn of turns) {
      if (turn && !reaches(c, from, to, turn)) continue;
      edge(ctx, c.xs, high, from, to, y, turn, true);
      if (trust) {
        back(ctx, c.xs, low, from, to, y, turn);
        ctx.closePath();
        ctx.globalAlpha = style.fill;
        ctx.fill();
      } else {
        edge(ctx, c.xs, low, from, to, y, turn, false);
        ctx.globalAlpha = style.outline;
        ctx.stroke();
      }
    }
  });
  ctx.globalAlpha = 1;
}

/** Does the ribbon, turned once round, come into view? @param {Curve} c @param {number} from @param {number} to @param {number} turn */
function reaches(c, from, to, turn) {
  const half = /** @type {number} */ (c.wrap) / 2;
  for (let i = from; i <= to; i++) {
    if (turn > 0 ? (c.low?.[i] ?? 0) < -half : (c.high?.[i] ?? 0) > half) return true;
  }
  return false;
}

/**
 * @param {Context} ctx @param {ArrayLike<number>} xs @param {Values} v @param {number} from @param {number} to
 * @param {(v: number) => number} y @param {number} turn @param {boolean} begin
 */
function edge(ctx, xs, v, from, to, y, turn, begin) {
  if (begin) ctx.beginPath();
  ctx.moveTo(xs[from], near(y((v[from] ?? 0) + turn)));
  for (let i = from + 1; i <= to; i++) ctx.lineTo(xs[i], near(y((v[i] ?? 0) + turn)));
}

/**
 * @param {Context} ctx @param {ArrayLike<number>} xs @param {Values} v @param {number} from @param {number} to
 * @param {(v: number) => number} y @param {number} turn
 */
function back(ctx, xs, v, from, to, y, turn) {
  for (let i = to; i >= from; i--) ctx.lineTo(xs[i], near(y((v[i] ?? 0) + turn)));
}

/**
 * The middle line, over trusted points only; an angle that wraps leaves at one edge and comes in at the other.
 * @param {Context} ctx
 * @param {Curve} c
 * @param {(v: number) => number} y
 * @param {Style} style
 */
export function line(ctx, c, y, style) {
  const n = Math.min(c.xs.length, c.mid.length);
  ctx.beginPath();
  let pen = false;
  let column = NaN; // one canvas column holds at most its extremes
  let lo = 0;
  let hi = 0;
  for (let i = 0; i < n; i++) {
    const v = c.mid[i];
    if (v === null || !trusted(c, i)) {
      pen = false;
      continue;
    }
    const x = c.xs[i];
    const py = near(y(v));
    if (!pen) {
      ctx.moveTo(x, py);
      pen = true;
    } else if (wraps(c, i)) {
      const before = /** @type {number} */ (c.mid[i - 1]);
      const turn = before > v ? /** @type {number} */ (c.wrap) : -/** @type {number} */ (c.wrap);
      ctx.lineTo(x, near(y(v + turn)));
      ctx.moveTo(c.xs[i - 1], near(y(before - turn)));
      ctx.lineTo(x, py);
    } else if (x - column < 0.5 && py >= lo && py <= hi) {
      continue;
    } else {
      ctx.lineTo(x, py);
    }
    if (!(x - column < 0.5)) {
      column = x;
      lo = hi = py;
    }
    lo = Math.min(lo, py);
    hi = Math.max(hi, py);
  }
  ctx.strokeStyle = style.colour;
  ctx.lineWidth = style.width;
  ctx.lineJoin = 'round';
  ctx.setLineDash(style.dash ?? []);
  ctx.stroke();
  ctx.setLineDash([]);
}

/** Where a curve's name goes: its last trusted point. @param {Curve} c @param {number} right canvas pixels @returns {number} -1 for none */
export function lastTrusted(c, right) {
  for (let i = Math.min(c.xs.length, c.mid.length) - 1; i >= 0; i--) {
    if (c.xs[i] <= right && c.mid[i] !== null && trusted(c, i)) return i;
  }
  return -1;
}
