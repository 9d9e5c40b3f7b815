// @ts-check
// Two grounds, and the ink on each: read once from the style sheet, for those who draw on canvas.

/** @typedef {{dark: boolean, ground: string, ink: string, quiet: string, rule: string, faint: string, alarm: string,
 *   curves: string[], line: number}} Ink */

const system = matchMedia('(prefers-color-scheme: dark)');
/** @type {Set<(ink: Ink) => void>} */
const listeners = new Set();
/** @type {Ink|null} */
let ink = null;

/** @returns {'auto'|'dark'|'light'} */
export function ground() {
  const value = document.documentElement.dataset.ground;
  return value === 'dark' || value === 'light' ? value : 'auto';
}

export function dark() {
  return ground() === 'auto' ? system.matches : ground() === 'dark';
}

/** @param {'auto'|'dark'|'light'} value */
export function setGround(value) {
  if (value === 'auto') delete document.documentElement.dataset.ground;
  else document.documentElement.dataset.ground = value;
  try {
    localStorage.setItem('plumbline.ground', value);
  } catch {
    // It lasts as long as the page.
  }
  changed();
}

/** @returns {Ink} */
export function currentInk() {
  if (ink) return ink;
  const style = getComputedStyle(document.documentElement);
  const read = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
  ink = {
    dark: dark(), ground: read('--ground'), ink: read('--ink'), quiet: read('--quiet'), rule: read('--rule'),
    faint: read('--faint'), alarm: read('--alarm'),
    curves: ['--curve-1', '--curve-2', '--curve-3', '--curve-4'].map(read), line: Number(read('--line')) || 1,
  };
  return ink;
}

/** @param {(ink: Ink) => void} listener @returns {() => void} */
export function onInk(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

function changed() {
  ink = null;
  for (const listener of listeners) listener(currentInk());
}

system.addEventListener('change', changed);
