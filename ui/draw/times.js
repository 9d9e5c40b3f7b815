// @ts-check
// Axes of time: ticks where clocks have round numbers, and how they are written.

const STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800];
const ROOM = 76; // CSS pixels a tick

/** Seconds that this device's clock is ahead of UTC. @param {number} unixS */
const ahead = (unixS) => -60 * new Date(unixS * 1000).getTimezoneOffset();

/** @param {number} lo @param {number} hi seconds since 1970 @param {number} pixels */
export function moments(lo, hi, pixels) {
  const step = STEPS_S.find((s) => (hi - lo) / s <= pixels / ROOM) ?? STEPS_S[STEPS_S.length - 1];
  const shift = ahead(lo);
  const out = [];
  for (let t = Math.ceil((lo + shift) / step) * step - shift; t <= hi; t += step) out.push(t);
  return out;
}

/** Of an axis that shows so many seconds. @param {number} unixS @param {number} spanS */
export function momentTick(unixS, spanS) {
  const at = new Date(unixS * 1000);
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  const text = `${two(at.getHours())}:${two(at.getMinutes())}`;
  if (spanS > 3600 && text === '00:00') return at.toLocaleDateString([], { day: 'numeric', month: 'short' });
  return spanS < 600 ? `${text}:${two(at.getSeconds())}` : text;
}

/** A duration in words. @param {number|null|undefined} s */
export function duration(s) {
  if (s === null || s === undefined || !Number.isFinite(s)) return '–';
  if (s < 90) return `${Math.round(s)} s`;
  if (s < 5400) return `${Math.round(s / 60)} min`;
  const h = Math.floor(s / 3600);
  const min = Math.round((s - h * 3600) / 60);
  return min === 60 ? `${h + 1} h` : min ? `${h} h ${min} min` : `${h} h`;
}
