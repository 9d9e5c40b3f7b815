// @ts-check
// The seats as dots on a plan, in the order of the table; the worst is marked, the chosen one hangs from the line.
// A seat without a place is put where the plan is pressed; one that has a place keeps it until it is dragged.

import { viewing } from '../core/role.js';
import { el, svg } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';

/** @typedef {import('../core/types.js').Position} Position */
/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {{here: () => Seat|null, go: (id: number) => void, says: (seat: Seat) => string}} Look  the seat that is chosen, how another is, and what a seat is called */

const MARGIN = 16;
const ROOM_M = [20, 15]; // of which nothing is known
const HEAD_M = 1.2; // of who sits
const DRAG = 4; // CSS pixels, less is a press
const LEAST = 110; // CSS pixels of height that are worth a plan

export class SeatMap {
  #model;
  #shelf;
  #session;
  #notices;
  #look;
  /** From the plan to metres, as it is drawn. @type {(x: number, y: number) => [number, number]} */
  #metres = () => [0, 0];
  /** Where a seat is while it is dragged. @type {{id: number, at: Position, from: [number, number], moved: boolean}|null} */
  #held = null;
  #drawing = svg('svg', { class: 'drawing', role: 'img', 'aria-label': 'Plan of the seats' });
  #observer;
  node = el('div', { class: 'seat-map' });

  /** @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices @param {Look} [look] as on the Align page, where nothing is given */
  constructor(model, shelf, session, notices, look = { here: () => model.seat, go: (id) => model.setSeat(id), says: (seat) => this.#setting(seat) }) {
    this.#look = look;
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.#notices = notices;
    this.#drawing.addEventListener('pointerdown', (e) => this.#take(e));
    this.#drawing.addEventListener('pointermove', (e) => this.#drag(e));
    this.#drawing.addEventListener('pointerup', (e) => this.#drop(e));
    this.#drawing.addEventListener('pointercancel', () => {
      this.#held = null;
      this.show();
    });
    this.node.append(this.#drawing);
    this.#observer = new ResizeObserver(() => this.show());
    this.#observer.observe(this.node);
  }

  close() {
    this.#observer.disconnect();
  }

  show() {
    const seats = this.#shelf.seats.filter((s) => s.position_m).map((s) => (s.id === this.#held?.id ? { ...s, position_m: this.#held.at } : s));
    const homeless = this.#homeless();
    const width = this.node.clientWidth;
    const height = this.node.clientHeight;
    if ((!seats.length && !homeless) || width < LEAST || height < LEAST) {
      this.#drawing.replaceChildren();
      return;
    }
    const { rig } = this.#session;
    const boxes = rig?.loudspeakers ?? [];
    const places = [...seats.map((s) => /** @type {Position} */ (s.position_m)), ...boxes.map((b) => b.position_m)];
    const room = rig?.room.size_m;
    const low = [0, 1].map((i) => Math.min(0, ...places.map((p) => p[i] - 1)));
    const high = room ?? [0, 1].map((i) => Math.max(ROOM_M[i], ...places.map((p) => p[i] + 1)));
    if (room) low.fill(0);
    const scale = Math.min((width - 2 * MARGIN) / (high[0] - low[0]), (height - 2 * MARGIN) / (high[1] - low[1]));
    const indent = (width - (high[0] - low[0]) * scale) / 2;
    const at = (/** @type {readonly number[]} */ p) => [indent + (p[0] - low[0]) * scale, MARGIN + (p[1] - low[1]) * scale];
    this.#metres = (x, y) => [(x - indent) / scale + low[0], (y - MARGIN) / scale + low[1]];
    this.#drawing.setAttribute('viewBox', `0 0 ${width} ${height}`);
    /** @type {SVGElement[]} */
    const parts = [];
    parts.push(svg('rect', { class: room ? 'room' : 'room unknown', x: indent, y: MARGIN, width: (high[0] - low[0]) * scale, height: (high[1] - low[1]) * scale }));
    for (const b of boxes) {
      const [x, y] = at(b.position_m);
      const ink = b.name === this.#model.main ? 'k0' : b.name === this.#model.fill ? 'k1' : 'other';
      parts.push(svg('rect', { class: `box ${ink}`, x: x - 5, y: y - 5, width: 10, height: 10 }), svg('text', { class: 'rule', x, y: y - 9, 'text-anchor': 'middle', text: b.name }));
    }
    const here = this.#look.here();
    for (const seat of seats) {
      const [x, y] = at(/** @type {Position} */ (seat.position_m));
      const measured = this.#model.answer?.seats.some((s) => s.seat === seat.id);
      const chosen = seat.id === here?.id;
      const left = x > width * 0.6;
      const dot = svg('g', { class: `dot${chosen ? ' chosen' : ''}${measured ? '' : ' empty'}`, 'data-seat': seat.id }, svg('circle', { class: 'reach', cx: x, cy: y, r: 22 }), svg('circle', { cx: x, cy: y, r: chosen ? 6 : 4.5 }),
        svg('text', { x: x + (left ? -10 : 10), y: y + 5, 'text-anchor': left ? 'end' : 'start', text: this.#look.says(seat) }));
      parts.push(dot);
    }
    if (homeless) parts.push(svg('text', { class: 'rule', x: indent + 6, y: MARGIN + (high[1] - low[1]) * scale - 8, text: `Press where ${homeless.name} is` }));
    this.#drawing.classList.toggle('placing', !!homeless);
    this.#drawing.replaceChildren(...parts);
  }

  /** A seat and what it does under the setting. @param {Seat} seat */
  #setting(seat) {
    const { answer, levels: { now }, worstNow } = this.#model;
    const k = answer?.seats.findIndex((s) => s.seat === seat.id) ?? -1;
    return `${k >= 0 && k === worstNow && now.length > 1 ? '▼ ' : ''}${seat.name}${k >= 0 ? ` ${signed(now[k], 1)}` : ''}`;
  }

  /** The chosen seat, where it has no place yet and one may be given. */
  #homeless() {
    const seat = this.#look.here();
    return seat && !seat.position_m && !viewing() ? seat : null;
  }

  /** @param {PointerEvent} e @returns {[number, number]} CSS pixels on the drawing */
  #pixels(e) {
    const box = this.#drawing.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  }

  /** @param {PointerEvent} e */
  #take(e) {
    const id = Number(/** @type {Element} */ (e.target).closest('.dot')?.getAttribute('data-seat') ?? 0);
    const seat = this.#shelf.seats.find((s) => s.id === id);
    if (!seat?.position_m || e.button) return;
    this.#held = { id, at: [...seat.position_m], from: this.#pixels(e), moved: false };
    this.#drawing.setPointerCapture(e.pointerId);
  }

  /** @param {PointerEvent} e */
  #drag(e) {
    const held = this.#held;
    if (!held) return;
    const [x, y] = this.#pixels(e);
    if (viewing()) return; // it is chosen, and stays where it is
    held.moved ||= Math.hypot(x - held.from[0], y - held.from[1]) >= DRAG;
    if (!held.moved) return;
    held.at = this.#place(x, y, held.at[2]);
    this.show();
  }

  /** @param {PointerEvent} e */
  #drop(e) {
    const held = this.#held;
    this.#held = null;
    if (held?.moved) void this.#put(held.id, held.at);
    else if (held) this.#look.go(held.id);
    const seat = this.#homeless();
    if (held || !seat || e.button) return;
    void this.#put(seat.id, this.#place(...this.#pixels(e), HEAD_M));
  }

  /** @param {number} x @param {number} y @param {number} z @returns {Position} to the centimetre, inside a room that is known */
  #place(x, y, z) {
    const size = this.#session.rig?.room.size_m;
    const [across, deep] = this.#metres(x, y).map((v, i) => Number((size ? Math.min(size[i], Math.max(0, v)) : v).toFixed(2)));
    return [across, deep, z];
  }

  /** It can be taken back. @param {number} id @param {Position} at */
  async #put(id, at) {
    const before = this.#shelf.seats.find((s) => s.id === id);
    if (!before || !(await this.#shelf.change('seats', id, { position_m: at }))) {
      this.show();
      return;
    }
    this.#notices.say(`${before.name} is at ${fixed(at[0], 1)} m across and ${fixed(at[1], 1)} m deep.`, { label: 'Undo', run: () => void this.#shelf.change('seats', id, { position_m: before.position_m }) });
  }
}
