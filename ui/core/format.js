// @ts-check
// Numbers and units as people read them. A minus is a minus sign, and unknown is a dash.

const DASH = '–';
const MINUS = '\u2212';
const FOOT_M = 0.3048; // exact, international foot of 1959

/** @param {number|null|undefined} value @param {number} digits */
export function fixed(value, digits) {
  if (value === null || value === undefined || Number.isNaN(value)) return DASH;
  if (!Number.isFinite(value)) return value < 0 ? `${MINUS}∞` : '∞';
  const text = Math.abs(value).toFixed(digits);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

/** With its sign, for differences and gains. @param {number|null|undefined} value @param {number} digits */
export function signed(value, digits) {
  const text = fixed(value, digits);
  return typeof value === 'number' && value > 0 && Number(value.toFixed(digits)) !== 0 ? `+${text}` : text;
}

/** An uncertainty; one that the digits cannot show is not nothing. @param {number|null|undefined} value @param {number} digits */
export function plusMinus(value, digits) {
  const least = 10 ** -digits;
  return typeof value === 'number' && value > 0 && value < least / 2 ? `±<${fixed(least, digits)}` : `±${fixed(value, digits)}`;
}

/** @param {number} hz */
export function frequency(hz) {
  if (hz >= 10000) return `${(hz / 1000).toFixed(1)} kHz`;
  if (hz >= 1000) return `${(hz / 1000).toFixed(2)} kHz`;
  return `${hz.toFixed(hz < 100 ? 1 : 0)} Hz`;
}

/** Tick of a frequency axis. @param {number} hz */
export function frequencyTick(hz) {
  return hz >= 1000 ? `${hz / 1000}k` : String(hz);
}

/** @param {number} m */
export function length(m) {
  if (m < 0.1) return `${(m * 1000).toFixed(1)} mm`;
  if (m < 1) return `${(m * 100).toFixed(1)} cm`;
  return `${m.toFixed(2)} m`;
}

/** @param {number|null|undefined} m */
export const feet = (m) => fixed(typeof m === 'number' ? m / FOOT_M : m, 1);

/** @param {number} ms wall clock */
export function clock(ms) {
  return new Date(ms).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', second: '2-digit', hour12: false });
}

/** What a person typed: comma or point, any minus, an optional unit behind. @param {string} text @returns {number|null} */
export function parse(text) {
  const match = /^\s*([+\-\u2212\u2013]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)/.exec(text);
  if (!match) return null;
  const value = Number(match[2].replace(',', '.'));
  return match[1] && match[1] !== '+' ? -value : value;
}
