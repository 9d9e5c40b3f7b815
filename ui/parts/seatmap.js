// @ts-check
// The seats as dots on a plan, in the order of the table; the worst is marked, the chosen one hangs from the line.

import { el, svg } from '../core/dom.js';
import { signed } from '../core/format.js';

/** @typedef {import('../core/types.js').Position} Position */

const MARGIN = 16;
const LEAST = 110; // CSS pixels of height that are worth a plan

export class SeatMap {
  #model;
  #shelf;
  #session;
  #drawing = svg('svg', { class: 'drawing', role: 'img', 'aria-label': 'Plan of the seats' });
  #observer;
  node = el('div', { class: 'seat-map' });

  /** @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf @param {import('../core/session.js').Session} session */
  constructor(model, shelf, session) {
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.node.append(this.#drawing);
    this.#observer = new ResizeObserver(() => this.show());
    this.#observer.observe(this.node);
  }

  close() {
    this.#observer.disconnect();
  }

  show() {
    const seats = this.#shelf.seats.filter((s) => s.position_m);
    const width = this.node.clientWidth;
    const height = this.node.clientHeight;
    if (!seats.length || width < LEAST || height < LEAST) {
      this.#drawing.replaceChildren();
      return;
    }
    const { rig } = this.#session;
    const boxes = rig?.loudspeakers ?? [];
    const places = [...seats.map((s) => /** @type {Position} */ (s.position_m)), ...boxes.map((b) => b.position_m)];
    const room = rig?.room.size_m;
    const low = room ? [0, 0] : [0, 1].map((i) => Math.min(...places.map((p) => p[i])) - 1);
    const high = room ?? [0, 1].map((i) => Math.max(...places.map((p) => p[i])) + 1);
    const scale = Math.min((width - 2 * MARGIN) / (high[0] - low[0]), (height - 2 * MARGIN) / (high[1] - low[1]));
    const at = (/** @type {readonly number[]} */ p) => [MARGIN + (p[0] - low[0]) * scale, MARGIN + (p[1] - low[1]) * scale];
    this.#drawing.setAttribute('viewBox', `0 0 ${width} ${height}`);
    /** @type {SVGElement[]} */
    const parts = [];
    if (room) parts.push(svg('rect', { class: 'room', x: MARGIN, y: MARGIN, width: room[0] * scale, height: room[1] * scale }));
    for (const b of boxes) {
      const [x, y] = at(b.position_m);
      const ink = b.name === this.#model.main ? 'k0' : b.name === this.#model.fill ? 'k1' : 'other';
      parts.push(svg('rect', { class: `box ${ink}`, x: x - 5, y: y - 5, width: 10, height: 10 }), svg('text', { class: 'rule', x, y: y - 9, 'text-anchor': 'middle', text: b.name }));
    }
    const { answer, levels: { now }, worstNow } = this.#model;
    for (const seat of seats) {
      const [x, y] = at(/** @type {Position} */ (seat.position_m));
      const k = answer?.seats.findIndex((s) => s.seat === seat.id) ?? -1;
      const chosen = seat.id === this.#model.seat?.id;
      const left = x > width * 0.6;
      const words = `${k >= 0 && k === worstNow && now.length > 1 ? '▼ ' : ''}${seat.name}${k >= 0 ? ` ${signed(now[k], 1)}` : ''}`;
      const dot = svg('g', { class: `dot${chosen ? ' chosen' : ''}${k >= 0 ? '' : ' empty'}` }, svg('circle', { class: 'reach', cx: x, cy: y, r: 22 }), svg('circle', { cx: x, cy: y, r: chosen ? 6 : 4.5 }),
        svg('text', { x: x + (left ? -10 : 10), y: y + 5, 'text-anchor': left ? 'end' : 'start', text: words }));
      dot.addEventListener('click', () => this.#model.setSeat(seat.id));
      parts.push(dot);
    }
    this.#drawing.replaceChildren(...parts);
  }
}
