// @ts-check
// The takes that are drawn over each other, what is laid over each, and what is made of them together.

import * as address from '../core/address.js';
import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed, frequency, length, signed } from '../core/format.js';
import { GRID, average, difference, joins, onGrid, shifted } from '../core/overlay.js';
import { DASHES } from '../draw/dashes.js';
import { nearest } from './chart.js';
import { Field } from './field.js';
import { interval } from './reading.js';

/** @typedef {import('../core/overlay.js').Response} Response */
/** @typedef {import('../core/overlay.js').Shift} Shift */
/** @typedef {import('./chart.js').Drawn} Drawn */

const SMOOTHING = [48, 24, 12, 6, 3];
const MOST = 12;

/** @typedef {{id: number, shift: Shift}} Overlay */

export class Overlays {
  /** @type {Overlay[]} */
  list = read();
  /** @type {() => void} */
  onChange = () => {};
  #shelf;
  #notices;
  /** @type {Map<string, Response|null>} by take, its correction and smoothing; null: on the way */
  #responses = new Map();
  #fraction = address.number('oct', 24);
  #average = address.text('average', '');
  #difference = address.text('difference', '') === '1';
  #common = address.text('common', '') === '1';
  /** @type {Map<number, OverlayRow>} */
  #rows = new Map();
  /** @type {Drawn[]|null} */
  #drawn = null;
  /** What was laid over takes that are not drawn now: it comes back with them. @type {Map<number, Shift>} */
  #shifts = new Map();
  #line = el('span', { class: 'name', 'data-testid': 'line-at' });
  /** The rows can give their height to the plots. */
  #folded = address.text('rows', '') === '0';
  #fold = this.#button('', 'fold-rows', () => this.#set('rows', (this.#folded = !this.#folded) ? 0 : null));
  #head = el('div', { class: 'row heads' }, this.#line, ...['dB', 'phase', 'offset', 'delay', 'polarity'].map((text) => el('span', { class: 'cell', text })), this.#fold);
  #rowsNode = el('div', { class: 'list' });
  #madeNode = el('div', { class: 'list made' });
  #smooth = el('select', { 'data-testid': 'overlay-smoothing', onchange: () => this.#set('oct', (this.#fraction = Number(this.#smooth.value))) }, ...SMOOTHING.map((n) => el('option', { value: String(n), text: `1/${n} oct` })));
  #complex = this.#button('Complex average', 'average-complex', () => this.#set('average', (this.#average = this.#average === 'complex' ? '' : 'complex') || null));
  #power = this.#button('Power average', 'average-power', () => this.#set('average', (this.#average = this.#average === 'power' ? '' : 'power') || null));
  #minus = this.#button('Difference', 'difference', () => this.#set('difference', (this.#difference = !this.#difference) ? 1 : null));
  #together = this.#button('One delay for all', 'common', () => this.#set('common', (this.#common = !this.#common) ? 1 : null));
  #why = el('p', { class: 'remark', role: 'status', 'data-testid': 'left-out' });
  #of = el('div', { class: 'of' }, this.#complex, this.#power, this.#minus, this.#together);
  /** Stands on the plot. */
  tools = el('label', { class: 'choice' }, el('span', { text: 'smooth' }), this.#smooth);
  node = el('section', { class: 'overlays', 'aria-label': 'What is drawn' }, this.#head, this.#rowsNode, this.#madeNode, this.#of, this.#why);

  /** @param {import('./shelf.js').Shelf} shelf @param {import('./notice.js').Notices} notices */
  constructor(shelf, notices) {
    this.#shelf = shelf;
    this.#notices = notices;
    this.#smooth.value = String(this.#fraction);
  }

  /** @param {number} id */
  has(id) {
    return this.list.some((o) => o.id === id);
  }

  /** @param {number} id */
  toggle(id) {
    const drawn = this.list.find((o) => o.id === id);
    if (drawn) {
      this.#shifts.set(id, drawn.shift);
      this.list = this.list.filter((o) => o !== drawn);
    }
    else if (this.list.length >= MOST) this.#notices.say(`${MOST} takes are drawn already: take one away first.`);
    else this.list.push({ id, shift: this.#shifts.get(id) ?? { offsetDB: 0, delayMs: 0, opposite: false } });
    this.#changed();
  }

  /** Ink of a take, -1 if it is not drawn. @param {number} id */
  ink(id) {
    return this.list.findIndex((o) => o.id === id);
  }

  show() {
    // What has been deleted is not drawn; what comes back is not drawn unasked.
    if (this.#shelf.known) this.list = this.list.filter((o) => this.#shelf.takes.some((t) => t.id === o.id));
    for (const [id, row] of this.#rows) {
      if (this.has(id)) continue;
      row.node.remove();
      this.#rows.delete(id);
    }
    this.list.forEach((o, k) => {
      let row = this.#rows.get(o.id);
      if (!row) this.#rows.set(o.id, (row = new OverlayRow(o, () => this.#changed(), () => this.toggle(o.id))));
      if (this.#rowsNode.children[k] !== row.node) this.#rowsNode.insertBefore(row.node, this.#rowsNode.children[k] ?? null);
      row.show(k, this.name(o.id));
    });
    this.#of.hidden = this.list.length < 2;
    const folded = this.#folded && this.list.length > 1;
    this.#rowsNode.hidden = this.#madeNode.hidden = folded;
    this.#head.classList.toggle('folded', folded);
    this.#fold.hidden = this.list.length < 2;
    say(this.#fold, folded ? 'Rows' : 'Fold');
    this.#fold.setAttribute('aria-label', folded ? 'Show a row for each take' : 'Give the height of the rows to the plots');
    this.#fold.setAttribute('aria-pressed', String(folded));
    this.#complex.setAttribute('aria-pressed', String(this.#average === 'complex'));
    this.#power.setAttribute('aria-pressed', String(this.#average === 'power'));
    this.#minus.setAttribute('aria-pressed', String(this.#difference));
    this.#together.setAttribute('aria-pressed', String(this.#common));
    say(this.#minus, this.list.length > 2 ? 'Difference of the first two' : 'Difference');
    for (const o of this.list) void this.#fetch(o.id);
    this.#drawn = null;
  }

  /** @param {number} id */
  name(id) {
    const take = this.#shelf.takes.find((t) => t.id === id);
    if (!take) return `take ${id}`;
    return `${take.name || this.#shelf.playing(take.loudspeakers) || `take ${id}`}, ${take.seat ? this.#shelf.seatName(take.seat) : 'no seat'}`;
  }

  /** What the chart draws. @returns {Drawn[]} */
  curves() {
    if (this.#drawn) return this.#drawn;
    const known = this.#known();
    const grid = /** @type {number[]} */ (GRID);
    const curve = (/** @type {Response} */ r) => ({
      magnitude: (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid: r.db, low: r.low, high: r.high, coherence: r.coherence, threshold: r.threshold }),
      phase: (/** @type {ArrayLike<number>} */ xs) => ({ xs, mid: r.deg, low: r.error.length ? r.deg.map((v, i) => (v === null ? null : v - (r.error[i] ?? 180))) : [], high: r.error.length ? r.deg.map((v, i) => (v === null ? null : v + (r.error[i] ?? 180))) : [], coherence: r.coherence, threshold: r.threshold, wrap: 360 }),
    });
    /** @type {Drawn[]} */
    const out = known.map(({ id, response }, k) => ({ name: this.name(id), short: String(this.ink(id) + 1), ink: this.ink(id) % 4, dash: DASHES[Math.floor(this.ink(id) / 4) % DASHES.length], front: known.length === 1 || k === known.length - 1, grid, ...curve(response) }));
    const made = this.made;
    for (const { name, response, dash } of made) out.push({ name, short: name[0], ink: -1, dash, front: true, grid, ...curve(response) });
    return (this.#drawn = out);
  }

  /** What the plumb line reads of each. @param {number} hz @param {number} speed of sound, m/s */
  read(hz, speed) {
    say(this.#line, `${frequency(hz)}, wavelength ${length(speed / hz)}`);
    const i = nearest(/** @type {number[]} */ (GRID), hz);
    for (const { id, response } of this.#known()) this.#rows.get(id)?.read(response, i);
    const out = this.#average === 'complex' ? this.#known().filter((k) => !joins(k.response, 'complex')) : [];
    say(this.#why, out.length ? `${out.map((k) => this.name(k.id)).join('; ')}: without phase, not in the complex average. Take the power average.` : '');
    const made = this.made;
    while (this.#madeNode.children.length > made.length) this.#madeNode.lastChild?.remove();
    made.forEach(({ name, response }, k) => {
      const row = this.#madeNode.children[k] ?? this.#madeNode.appendChild(el('div', { class: 'row', role: 'group' }, el('span', { class: 'chip whole' }), el('span', { class: 'name' }), el('span', { class: 'cell' }), el('span', { class: 'cell' })));
      say(row.children[1], name);
      valueAt(row.children[2], row.children[3], response, i);
    });
  }

  /** Average and difference, as they are drawn. */
  get made() {
    const all = this.#known().map((k) => k.response);
    const out = [];
    if (all.length < 2) return [];
    if (this.#average === 'complex' || this.#average === 'power') {
      const how = this.#average;
      const joined = all.filter((r) => joins(r, how));
      const count = joined.length < all.length ? ` of ${joined.length}` : '';
      if (joined.length > 1) out.push({ name: `${how} average${count}`, response: average(joined, how), dash: /** @type {number[]} */ ([]) });
    }
    if (this.#difference) out.push({ name: 'difference', response: difference(all[0], all[1]), dash: [9, 4] });
    return out;
  }

  /** The overlays that have come, shifted. */
  #known() {
    const commonMs = this.#common ? (this.list.map((o) => this.#responses.get(this.#key(o.id))).find((r) => !!r)?.delayMs ?? null) : null;
    return this.list.flatMap((o) => {
      const r = this.#responses.get(this.#key(o.id));
      return r ? [{ id: o.id, response: shifted(r, o.shift, commonMs) }] : [];
    });
  }

  /** @param {number} id */
  #key(id) {
    return `${id}/${this.#shelf.takes.find((t) => t.id === id)?.correction ?? 0}/${this.#fraction}`;
  }

  /** @param {number} id */
  async #fetch(id) {
    const key = this.#key(id);
    if (this.#responses.has(key) || !this.#shelf.known) return;
    this.#responses.set(key, null);
    const curve = await this.#notices.guard(ask('GET', `/api/v1/show/takes/${id}/curve?smoothing=${this.#fraction}`));
    if (curve) this.#responses.set(key, onGrid(curve));
    else this.#responses.delete(key);
    this.#drawn = null;
    this.onChange();
  }

  /** @param {string} key @param {number|string|null} value */
  #set(key, value) {
    address.set(key, value);
    this.#changed();
  }

  #changed() {
    const written = this.list.map(({ id, shift: s }) => (s.offsetDB || s.delayMs || s.opposite ? `${id}_${s.offsetDB}_${s.delayMs}_${s.opposite ? 1 : 0}` : String(id))).join(',');
    address.set('takes', written || null);
    this.show();
    this.onChange();
  }

  /** @param {string} text @param {string} testid @param {() => void} run */
  #button(text, testid, run) {
    return el('button', { type: 'button', text, 'data-testid': testid, onclick: run });
  }
}

/** The overlays in the address: 3,5_2.5_0.1_1 is take 3, and take 5 with 2.5 dB, 0.1 ms and turned over. @returns {Overlay[]} */
function read() {
  return address.text('takes', '').split(',').flatMap((word) => {
    const [id, offset, delay, opposite] = word.split('_').map(Number);
    return id > 0 ? [{ id, shift: { offsetDB: offset || 0, delayMs: delay || 0, opposite: opposite === 1 } }] : [];
  }).slice(0, MOST);
}

class OverlayRow {
  #overlay;
  #chip = el('span', { class: 'chip', 'aria-hidden': 'true' });
  #name = el('span', { class: 'name' });
  #offset;
  #delay;
  #flip;
  #db = el('span', { class: 'cell' });
  #deg = el('span', { class: 'cell' });
  node;

  /** @param {Overlay} overlay @param {() => void} changed @param {() => void} remove */
  constructor(overlay, changed, remove) {
    this.#overlay = overlay;
    const { shift } = overlay;
    this.#offset = new Field({ label: 'Offset', unit: 'dB', step: 0.5, least: -80, most: 80, digits: 1, testid: `offset-${overlay.id}`, commit: (v) => {
      shift.offsetDB = v;
      changed();
    } });
    this.#delay = new Field({ label: 'Delay', unit: 'ms', step: 0.01, least: -1000, most: 1000, digits: 2, testid: `delay-${overlay.id}`, commit: (v) => {
      shift.delayMs = v;
      changed();
    } });
    this.#flip = el('button', { type: 'button', 'data-testid': `flip-${overlay.id}`, onclick: () => {
      shift.opposite = !shift.opposite;
      changed();
    } });
    this.node = el('div', { class: 'row', role: 'group' }, this.#chip, this.#name, this.#db, this.#deg, el('span', { class: 'cell' }, this.#offset.node), el('span', { class: 'cell' }, this.#delay.node), el('span', { class: 'cell' }, this.#flip),
      el('button', { type: 'button', class: 'quiet', text: 'Remove', 'aria-label': 'Do not draw it', onclick: remove }));
  }

  /** @param {number} k @param {string} name */
  show(k, name) {
    const { shift } = this.#overlay;
    this.#chip.className = `chip k${k % 4} d${Math.floor(k / 4)}`;
    say(this.#name, `${k + 1} ${name}`);
    this.node.setAttribute('aria-label', name);
    this.#offset.show(shift.offsetDB);
    this.#delay.show(shift.delayMs);
    say(this.#flip, shift.opposite ? 'turned over' : 'as it is');
    this.#flip.setAttribute('aria-pressed', String(shift.opposite));
    this.#flip.setAttribute('aria-label', `${name}: ${shift.opposite ? 'turned over' : 'polarity as it is'}, delayed ${fixed(shift.delayMs, 2)} ms`);
  }

  /** @param {Response} response @param {number} i point of the grid */
  read(response, i) {
    valueAt(this.#db, this.#deg, response, i);
  }
}

/** @param {Element} db @param {Element} deg @param {Response} r @param {number} i */
function valueAt(db, deg, r, i) {
  for (const cell of [db, deg]) if (!cell.firstChild) cell.append(el('span'), el('small'));
  const [value, around, angle, error] = /** @type {Node[]} */ ([...db.childNodes, ...deg.childNodes]);
  say(value, `${signed(r.db[i], 1)} dB`);
  say(around, interval(r.db[i], r.low[i], r.high[i], 1));
  say(angle, r.deg[i] == null ? '–' : `${signed(r.deg[i], 0)}°`);
  say(error, r.deg[i] == null || r.error[i] == null ? '' : `±${fixed(r.error[i], 0)}°`);
}
