// @ts-check
// Two loudspeakers at one seat as phasors: what their sum gives under a delay, polarity and gain of the second
// one. The formulas are the daemon's, so that a handle can be dragged without asking it.

/** @typedef {import('./types.js').Values} Values */
/** @typedef {{delayMs: number, sign: 1|-1, gainDB: number}} Setting of B; a negative delay makes A wait */
/**
 * Cells of a seat made ready: A·conj(B) of unit length, the level of B over A as a ratio, the power of A, and of
 * what a spread of the arrivals by σ leaves: exp(−(ωσ)²/2). The spread does not reach cells before smooth and leaves
 * no ripple from level on. Where noise leaves the two open, ripple is what c is multiplied with in the numerator, and
 * less is ln of what the denominator has more; 1 and 0 without. Levels have a ratio of their own, and what is in common.
 * @typedef {{omega: Float64Array, re: Float64Array, im: Float64Array, ratio: Float64Array, count: Float64Array, power: Float64Array,
 *   keeps: Float64Array, ripple: Float64Array, less: Float64Array, noisy: boolean, levels: Float64Array, common: Float64Array, smooth: number, level: number, total: number, gainDB: number, c: Float64Array, rho: Float64Array, base: number}} Cells
 *   omega in rad/ms
 */

// A cell that cancels completely counts −60 dB.
const MOST_C = (1 - 1e-6) / (1 + 1e-6);
const MOST_RHO = (1 - 1e-3) / (1 + 1e-3);
const LEAST_POWER = 1e-6;
const DB = 10 / Math.LN10;
const BATCH = 16; // 1e-6 to this power is still a number
const LEAST_TURN = 0.015; // ωσ under which a spread would only fill nulls of less than a degree
const MOST_TURN = 5; // and over which nothing of the ripple is left
const LEAST_TERM = 2e-4; // nepers
const MOST_TERMS = 300;

/** @param {import('./types.js').Cells} cells @param {number|null} [spreadMs] of the difference of arrival where heads are @returns {Cells} */
export function prepare(cells, spreadMs) {
  const n = cells.frequency_hz.length;
  const sigma = spreadMs ?? 0;
  const out = {
    omega: new Float64Array(n), re: new Float64Array(n), im: new Float64Array(n), ratio: new Float64Array(n), power: new Float64Array(n),
    keeps: new Float64Array(n), ripple: new Float64Array(n).fill(1), less: new Float64Array(n), noisy: !!cells.ripple, levels: new Float64Array(n), common: new Float64Array(n).fill(1), smooth: 0, level: 0,
    count: Float64Array.from(cells.count), total: 0, gainDB: NaN, c: new Float64Array(n), rho: new Float64Array(n), base: 0,
  };
  for (let k = 0; k < n; k++) {
    const phase = ((cells.phase_deg[k] ?? 0) * Math.PI) / 180;
    const omega = (2 * Math.PI * cells.frequency_hz[k]) / 1000;
    out.omega[k] = omega;
    out.re[k] = Math.cos(phase);
    out.im[k] = Math.sin(phase);
    out.ratio[k] = 10 ** ((cells.level_db[k] ?? -Infinity) / 20);
    out.power[k] = 10 ** ((cells.level_a_db[k] ?? -Infinity) / 10);
    out.keeps[k] = Math.exp(-((omega * sigma) ** 2) / 2);
    out.ripple[k] = cells.ripple?.[k] ?? 1;
    out.levels[k] = 10 ** (((cells.power_db ?? cells.level_db)[k] ?? -Infinity) / 20);
    out.common[k] = cells.common?.[k] ?? 1;
    out.less[k] = (cells.less_db?.[k] ?? 0) / DB;
    out.total += out.count[k];
    if (omega * sigma <= LEAST_TURN) out.smooth = k + 1;
    if (omega * sigma <= MOST_TURN) out.level = k + 1;
  }
  return out;
}

/** @param {Cells} s @param {number} gainDB */
function setGain(s, gainDB) {
  if (s.gainDB === gainDB) return;
  s.gainDB = gainDB;
  s.base = 0;
  const gain = 10 ** (gainDB / 20);
  for (let k = 0; k < s.ratio.length; k++) {
    const r = gain * s.ratio[k];
    const c = Math.min(MOST_C, (2 * r) / (1 + r * r));
    s.c[k] = c * s.ripple[k];
    s.rho[k] = s.noisy ? s.c[k] / (1 + Math.sqrt(1 - s.c[k] * s.c[k])) : Math.min(r, 1 / r, MOST_RHO);
    s.base += s.count[k] * (s.less[k] + (k < s.smooth ? Math.log(1 + c) : s.noisy ? Math.log((1 + s.rho[k] * s.rho[k]) * (1 + c)) : 2 * Math.log(1 + s.rho[k])));
  }
}

/**
 * Mean over log frequency of 10 lg(|A + g·p·B·e^{−jωτ}|² / (|A| + |gB|)²), dB, over the spread: with
 * ln|1 + ρe^{jψ}|² = 2 Σ (−1)^{k+1} ρ^k/k·cos kψ (Gradshteyn and Ryzhik 1.514) it leaves keeps^{k²} of each cos kψ.
 * @param {Cells} s @param {Setting} x
 */
export function efficiency(s, x) {
  setGain(s, x.gainDB);
  let sum = 0;
  let product = 1;
  for (let k = 0; k < s.level; k++) {
    const turn = s.omega[k] * x.delayMs;
    const cos = x.sign * (s.re[k] * Math.cos(turn) - s.im[k] * Math.sin(turn));
    if (k >= s.smooth) {
      sum += s.count[k] * ripple(s.rho[k], s.keeps[k], cos);
      continue;
    }
    const v = 1 + s.c[k] * cos;
    if (s.count[k] === 1) product *= v;
    else sum += s.count[k] * Math.log(v);
    if (k % BATCH === BATCH - 1) {
      sum += Math.log(product);
      product = 1;
    }
  }
  return (DB * (sum + Math.log(product) - s.base)) / s.total;
}

/** @param {number} rho @param {number} keeps @param {number} cos */
function ripple(rho, keeps, cos) {
  const square = keeps * keeps;
  let sum = 0;
  let [term, fall] = [2 * rho * keeps, -rho * keeps * square];
  let [now, before] = [cos, 1];
  for (let k = 1; k <= MOST_TERMS && Math.abs(term) >= LEAST_TERM * k; k++) {
    sum += (term / k) * now;
    term *= fall;
    fall *= square;
    const next = 2 * cos * now - before;
    before = now;
    now = next;
  }
  return sum;
}

/**
 * Level of the sum over that of the louder one as it is, dB: power mean over log frequency and over the spread, which
 * keeps exp(−(ωσ)²/2) of what the two have in common.
 * @param {Cells} s @param {Setting} x
 */
export function level(s, x) {
  const gain = x.sign * 10 ** (x.gainDB / 20);
  let [a, b, sum] = [0, 0, 0];
  for (let k = 0; k < s.omega.length; k++) {
    const p = s.power[k] * s.count[k];
    const r = s.levels[k];
    const turn = s.omega[k] * x.delayMs;
    const inPhase = gain * r * s.common[k] * s.keeps[k] * (s.re[k] * Math.cos(turn) - s.im[k] * Math.sin(turn));
    a += p;
    b += p * r * r;
    sum += p * (1 + gain * gain * r * r + 2 * inPhase);
  }
  return DB * Math.log(Math.max(sum / Math.max(a, b), LEAST_POWER));
}

/**
 * The efficiency over delays fromMs + i·stepMs, for both polarities at once: the turn from one delay to the next is a
 * product of phasors, and of the harmonics of a cell that a spread smooths the odd ones change sign with the polarity.
 * @param {Cells} s @param {number} gainDB @param {number} fromMs @param {number} stepMs @param {number} n
 * @returns {{same: Float64Array, opposite: Float64Array}}
 */
export function sweep(s, gainDB, fromMs, stepMs, n) {
  setGain(s, gainDB);
  const same = new Float64Array(n);
  const opposite = new Float64Array(n);
  const up = new Float64Array(n).fill(1);
  const down = new Float64Array(n).fill(1);
  const flush = () => {
    for (let i = 0; i < n; i++) {
      same[i] += Math.log(up[i]);
      opposite[i] += Math.log(down[i]);
    }
    up.fill(1);
    down.fill(1);
  };
  for (let k = 0; k < s.smooth; k++) {
    const begin = s.omega[k] * fromMs;
    const turn = s.omega[k] * stepMs;
    let re = s.re[k] * Math.cos(begin) - s.im[k] * Math.sin(begin);
    let im = s.re[k] * Math.sin(begin) + s.im[k] * Math.cos(begin);
    const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
    const c = s.c[k];
    for (let times = s.count[k]; times > 0; times--) {
      let [x, y] = [re, im];
      for (let i = 0; i < n; i++) {
        up[i] *= 1 + c * x;
        down[i] *= 1 - c * x;
        const next = x * cos - y * sin;
        y = x * sin + y * cos;
        x = next;
      }
      if (times > 1) flush();
    }
    if (k % BATCH === BATCH - 1) flush();
  }
  flush();
  const odd = new Float64Array(n);
  const even = new Float64Array(n);
  for (let k = s.smooth; k < s.level; k++) {
    const square = s.keeps[k] * s.keeps[k];
    const phase = Math.atan2(s.im[k], s.re[k]);
    let [term, fall] = [2 * s.rho[k] * s.keeps[k], -s.rho[k] * s.keeps[k] * square];
    for (let h = 1; h <= MOST_TERMS && Math.abs(term) >= LEAST_TERM * h; h++) {
      const turn = h * s.omega[k] * stepMs;
      const twice = 2 * Math.cos(turn);
      const begin = h * (phase + s.omega[k] * fromMs);
      const amplitude = (s.count[k] * term) / h;
      let x = amplitude * Math.cos(begin);
      let before = amplitude * Math.cos(begin - turn);
      const to = h % 2 ? odd : even;
      for (let i = 0; i < n; i++) {
        to[i] += x;
        const next = twice * x - before;
        before = x;
        x = next;
      }
      term *= fall;
      fall *= square;
    }
  }
  for (let i = 0; i < n; i++) {
    same[i] = (DB * (same[i] + even[i] + odd[i] - s.base)) / s.total;
    opposite[i] = (DB * (opposite[i] + even[i] - odd[i] - s.base)) / s.total;
  }
  return { same, opposite };
}

/** What the seats' efficiencies come to. @param {ArrayLike<number>} seats dB @param {'mean'|'worst'} aim */
export function aimOf(seats, aim) {
  let sum = 0;
  let least = Infinity;
  for (let i = 0; i < seats.length; i++) {
    sum += seats[i];
    least = Math.min(least, seats[i]);
  }
  return aim === 'worst' ? least : sum / seats.length;
}

/** What a plan sets B to. @param {import('./types.js').PlanObject} p @returns {Setting} */
export function settingOf(p) {
  return { delayMs: p.wait === 'A' ? -p.delay_ms : p.delay_ms, sign: p.polarity_b === 'opposite' ? -1 : 1, gainDB: p.gain_b_db };
}

/** @typedef {import('./types.js').Complex} Complex */

/** Level of a response, dB. @param {Complex} h @param {(number|null)[]} dst */
export function magnitude(h, dst) {
  dst.length = h.re.length;
  for (let i = 0; i < dst.length; i++) {
    const [re, im] = [h.re[i], h.im[i]];
    dst[i] = re === null || im === null ? null : DB * Math.log(re * re + im * im);
  }
  return dst;
}

/**
 * |A + g·p·B·e^{−jωτ}|, dB.
 * @param {number[]} hz @param {Complex} a @param {Complex} b @param {Setting} x @param {(number|null)[]} dst
 */
export function predict(hz, a, b, x, dst) {
  const gain = x.sign * 10 ** (x.gainDB / 20);
  dst.length = hz.length;
  for (let i = 0; i < hz.length; i++) {
    const [ar, ai, br, bi] = [a.re[i], a.im[i], b.re[i], b.im[i]];
    if (ar === null || ai === null || br === null || bi === null) {
      dst[i] = null;
      continue;
    }
    const turn = (-2 * Math.PI * hz[i] * x.delayMs) / 1000;
    const [cos, sin] = [gain * Math.cos(turn), gain * Math.sin(turn)];
    const re = ar + br * cos - bi * sin;
    const im = ai + br * sin + bi * cos;
    dst[i] = DB * Math.log(re * re + im * im);
  }
  return dst;
}

/**
 * Relative error of that sum: the two were measured apart, so their errors have nothing in common.
 * @param {Complex} a @param {Complex} b @param {Setting} x @param {(number|null)[]} db the sum @param {(number|null)[]} dst
 */
export function predictError(a, b, x, db, dst) {
  const gain = 10 ** (x.gainDB / 20);
  dst.length = db.length;
  for (let i = 0; i < db.length; i++) {
    const level = db[i];
    dst[i] = level === null ? null : Math.hypot(spread(a, i), gain * spread(b, i)) / Math.exp(level / (2 * DB));
  }
  return dst;
}

/** Half the interval of a response's part in one direction. @param {Complex} h @param {number} i */
function spread(h, i) {
  return (h.error[i] ?? Infinity) * Math.hypot(h.re[i] ?? 0, h.im[i] ?? 0);
}

/**
 * Relative error of the ratio of two: that of the phase between them.
 * @param {Complex} a @param {Complex} b @param {(number|null)[]} dst
 */
export function ratioError(a, b, dst) {
  dst.length = a.error.length;
  for (let i = 0; i < dst.length; i++) dst[i] = Math.hypot(a.error[i] ?? Infinity, b.error[i] ?? Infinity);
  return dst;
}

/**
 * Phase of B under a setting against A, −180…180 degrees.
 * @param {number[]} hz @param {Complex} a @param {Complex} b @param {Setting} x @param {(number|null)[]} dst
 */
export function phaseBetween(hz, a, b, x, dst) {
  dst.length = hz.length;
  for (let i = 0; i < hz.length; i++) {
    const [ar, ai, br, bi] = [a.re[i], a.im[i], b.re[i], b.im[i]];
    dst[i] = ar === null || ai === null || br === null || bi === null ? null
      : wrapDeg((Math.atan2(bi * ar - br * ai, br * ar + bi * ai) * 180) / Math.PI - 0.36 * hz[i] * x.delayMs + (x.sign < 0 ? 180 : 0));
  }
  return dst;
}

/** @typedef {{mid: (number|null)[], low: (number|null)[], high: (number|null)[]}} Ribbon a curve and its 95 % interval */

/** @returns {Ribbon} */
export const ribbon = () => ({ mid: [], low: [], high: [] });

const DEVIATIONS = 1.96; // of a normal curve, half its 95 % interval
const LEAST = 0.05; // of a mean power is there for certain, however large the errors

/**
 * Power mean over 1/fraction octave about each point, and what its error is: each point's own, as far as it does
 * not go together with its neighbours', less the power that errors add on average.
 * @param {number[]} hz ascending @param {Values} db @param {Values} error relative, of the amplitude @param {Values} correlation
 * @param {number} fraction @param {Ribbon} dst
 */
export function smoothLevel(hz, db, error, correlation, fraction, dst) {
  const n = (dst.mid.length = dst.low.length = dst.high.length = Math.min(hz.length, db.length));
  // What each point adds, once: a window holds it many times.
  const [powers, noises, own, others] = [0, 0, 0, 0].map(() => new Float64Array(n));
  for (let k = 0; k < n; k++) {
    const v = db[k];
    if (v === null) continue;
    const e = error[k] ?? Infinity;
    powers[k] = Math.exp(v / DB);
    noises[k] = 2 * powers[k] * (e / DEVIATIONS) ** 2;
    own[k] = (powers[k] * e) ** 2;
    others[k] = own[k] < Infinity ? own[k] * ((correlation[k] ?? 1) - 1) : 0;
  }
  around(hz, fraction, (i, from, to) => {
    if (db[i] === null) {
      dst.mid[i] = dst.low[i] = dst.high[i] = null;
      return;
    }
    let [sum, noise, alone, along, count] = [0, 0, 0, 0, 0];
    for (let k = from; k < to; k++) {
      if (db[k] === null) continue;
      sum += powers[k];
      noise += noises[k];
      alone += own[k];
      along += others[k];
      count++;
    }
    const rest = 1 - 1 / count;
    const spread = rest ? alone + along * rest : alone;
    const sure = Math.max(rest ? sum - noise * rest : sum, LEAST * sum);
    const half = Math.sqrt(spread) / sure;
    const level = DB * Math.log(sure / count);
    dst.mid[i] = DB * Math.log(sum / count);
    dst.low[i] = level + 2 * DB * Math.log(Math.max(0, 1 - half));
    dst.high[i] = level + 2 * DB * Math.log(1 + half);
  });
  return dst;
}


/**
 * Mean direction over 1/fraction octave about each point, and how much the directions agree there (0…1).
 * @param {number[]} hz ascending @param {Values} deg @param {Values} error relative @param {Values} correlation
 * @param {number} fraction @param {Ribbon} dst @param {(number|null)[]} agreement
 */
export function smoothPhase(hz, deg, error, correlation, fraction, dst, agreement) {
  const n = (dst.mid.length = dst.low.length = dst.high.length = agreement.length = Math.min(hz.length, deg.length));
  const [cos, sin, own, others] = [0, 0, 0, 0].map(() => new Float64Array(n));
  for (let k = 0; k < n; k++) {
    const v = deg[k];
    if (v === null) continue;
    cos[k] = Math.cos((v * Math.PI) / 180);
    sin[k] = Math.sin((v * Math.PI) / 180);
    own[k] = (error[k] ?? Infinity) ** 2;
    others[k] = own[k] < Infinity ? own[k] * ((correlation[k] ?? 1) - 1) : 0;
  }
  around(hz, fraction, (i, from, to) => {
    let [re, im, alone, along, count] = [0, 0, 0, 0, 0];
    for (let k = from; k < to; k++) {
      if (deg[k] === null) continue;
      re += cos[k];
      im += sin[k];
      alone += own[k];
      along += others[k];
      count++;
    }
    const length = Math.hypot(re, im);
    const across = Math.sqrt(count > 1 ? alone + along * (1 - 1 / count) : alone) / length;
    const half = across < 1 ? (Math.asin(across) * 180) / Math.PI : 180;
    const mid = count ? (Math.atan2(im, re) * 180) / Math.PI : null;
    dst.mid[i] = mid;
    dst.low[i] = mid === null ? null : mid - half;
    dst.high[i] = mid === null ? null : mid + half;
    agreement[i] = count ? length / count : null;
  });
}

/** @param {number[]} hz @param {number} fraction of an octave @param {(i: number, from: number, to: number) => void} visit */
function around(hz, fraction, visit) {
  const reach = 2 ** (0.5 / fraction) * (1 - 1e-9);
  let from = 0;
  let to = 0;
  for (let i = 0; i < hz.length; i++) {
    while (hz[from] < hz[i] / reach) from++;
    while (to < hz.length && hz[to] < hz[i] * reach) to++;
    visit(i, from, Math.max(to, i + 1));
  }
}

/** @param {number} deg @returns {number} −180…180 */
export function wrapDeg(deg) {
  return deg - 360 * Math.round(deg / 360);
}
