// @ts-check
// A piece of a stored trace's line, to tell it by.

import { svg } from '../core/dom.js';
import { dashOf, inkOf } from '../draw/dashes.js';

/** @param {import('../core/types.js').StoredTrace} t */
export function swatch(t) {
  return svg('svg', { class: `swatch k${inkOf(t.number)}`, width: 22, height: 10, 'aria-hidden': 'true' },
    svg('line', { x1: 0, x2: 22, y1: 5, y2: 5, 'stroke-dasharray': dashOf(t.number).join(' ') }));
}
