// @ts-check
// What the colours of the bands mean: the map with its ends in dB.

import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { CIVIDIS } from '../draw/cividis.js';

const STEP_DB = 10;
const CHECK_MS = 1000;

export class HeatScale {
  /** dB of the first and the last colour. @type {[number, number]} */
  range = [-90, -30];
  #known = false;
  #last = -Infinity;
  #seen = '';
  #low = el('span', { 'data-testid': 'heat-low' });
  #high = el('span', { 'data-testid': 'heat-high' });
  #strip = el('canvas', { width: 256, height: 1, 'aria-hidden': 'true' });
  node = el('div', { class: 'heat-scale', role: 'img', 'aria-label': 'Scale of the colours' }, this.#low, this.#strip, this.#high);

  constructor() {
    const ctx = /** @type {CanvasRenderingContext2D} */ (this.#strip.getContext('2d'));
    const image = ctx.createImageData(256, 1);
    for (let k = 0; k < 256; k++) image.data.set([CIVIDIS[3 * k], CIVIDIS[3 * k + 1], CIVIDIS[3 * k + 2], 255], 4 * k);
    ctx.putImageData(image, 0, 0);
    this.#say('');
  }

  /**
   * Goes where the levels are, in whole tens, and stays while they fit.
   * @param {import('../draw/levelcolumns.js').LevelColumns} layer @param {number} from @param {number} to columns @param {number} answers
   */
  settle(layer, from, to, answers) {
    const key = `${layer.microphone}/${layer.step}/${answers}/${Math.round(from / 20)}`;
    if (key === this.#seen || (this.#known && performance.now() - this.#last < CHECK_MS)) return;
    this.#seen = key;
    this.#last = performance.now();
    const levels = Float32Array.from(layer.bandLevels(from, to).filter(Number.isFinite)).sort();
    if (levels.length < 30) return;
    const low = levels[Math.floor(levels.length * 0.03)];
    const high = levels[Math.floor(levels.length * 0.995)];
    const [a, b] = this.range;
    const fits = this.#known && low > a - 4 && low < a + 16 && high < b + 3 && high > b - 14;
    if (!fits) {
      const top = Math.ceil(high / STEP_DB) * STEP_DB;
      this.range = [Math.min(top - 30, Math.floor(low / STEP_DB) * STEP_DB), top];
      this.#known = true;
    }
    this.#say(layer.unit === 'dB re 20 uPa' ? 'dB' : 'dBFS');
  }

  /** @param {string} unit */
  #say(unit) {
    this.#strip.hidden = !this.#known;
    say(this.#low, this.#known ? fixed(this.range[0], 0) : '');
    say(this.#high, this.#known ? `${fixed(this.range[1], 0)} ${unit}` : '');
  }
}
