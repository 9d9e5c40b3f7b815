// @ts-check
// A target drawn by points on the plot: touch to set one, drag it, arrows move it, Delete takes it away.

import { el, say } from '../core/dom.js';
import { frequency, signed } from '../core/format.js';

/** @typedef {import('../core/types.js').Target} Target */
/** @typedef {[number, number]} Point Hz and dB, where it is drawn */

const MOST = 40;
const TAP_PX = 10;
const NEAREST_OCTAVES = 1 / 24; // two points have to be apart
const WHOLE = [20, 20000];

export class TargetEditor {
  #store;
  #plot;
  #redraw;
  #surface;
  #handles = /** @type {HTMLButtonElement[]} */ ([]);
  #undo = el('button', { type: 'button', text: 'Undo', 'data-testid': 'draw-undo', onclick: () => this.#back() });
  #hint = el('span', { role: 'status', 'data-testid': 'draw-hint' });
  /** What the points were, the oldest first. @type {[number, number][][]} */
  #before = [];
  /** What stands on the plot's own strip while it is drawn on. */
  node = el('div', { class: 'drawing-target', hidden: true }, this.#hint, this.#undo, el('button', { type: 'button', text: 'Done', 'data-testid': 'draw-done', onclick: () => this.stop() }));

  /**
   * @param {import('./tracestore.js').TraceStore} store @param {import('../draw/plot.js').Plot} plot @param {HTMLElement} host of the plot
   * @param {() => void} redraw
   */
  constructor(store, plot, host, redraw) {
    this.#store = store;
    this.#plot = plot;
    this.#redraw = redraw;
    this.#surface = el('div', { class: 'target-surface', hidden: true, 'data-testid': 'target-surface', onpointerdown: (/** @type {PointerEvent} */ e) => this.#down(e) });
    host.append(this.#surface);
  }

  get active() {
    return !this.#surface.hidden;
  }

  start() {
    const { target } = this.#store;
    this.#before = [];
    this.node.hidden = false;
    this.#surface.hidden = !!target && target.points.length > MOST;
    this.show();
    this.#redraw();
  }

  stop() {
    this.#surface.hidden = this.node.hidden = true;
    this.#redraw();
  }

  /** Puts the points where they lie now. */
  show() {
    if (this.node.hidden) return;
    const points = this.active ? (this.#store.target?.points ?? []) : [];
    const { left, top, width, height } = this.#plot.area;
    Object.assign(this.#surface.style, { left: `${left}px`, top: `${top}px`, width: `${width}px`, height: `${height}px` });
    while (this.#handles.length > points.length) this.#handles.pop()?.remove();
    points.forEach((p, k) => {
      if (!this.#handles[k]) this.#handles.push(this.#surface.appendChild(this.#handle(k)));
      const [hz, db] = this.#drawn(p);
      const handle = this.#handles[k];
      handle.style.transform = `translate(${this.#plot.toX(hz)}px, ${Math.min(height, Math.max(0, this.#plot.toY(db)))}px)`;
      handle.setAttribute('aria-label', `Target, ${frequency(hz)}, ${signed(db, 1)} dB`);
    });
    this.#undo.disabled = !this.#before.length;
    say(this.#hint, !this.active ? `${this.#store.target?.name} has ${this.#store.target?.points.length} points: import it anew to change its shape.`
      : points.length ? `${points.length} ${points.length === 1 ? 'point' : 'points'}. Touch to add, drag to move, touch one to take it away.` : 'Touch the plot where the target is to go.');
  }

  /** @param {number} k */
  #handle(k) {
    return el('button', { type: 'button', class: 'target-point', 'data-arrows': '', 'data-testid': `target-point-${k}`, onkeydown: (/** @type {KeyboardEvent} */ e) => this.#key(e, k) }, el('span'));
  }

  /** @param {[number, number]} p @returns {Point} */
  #drawn([hz, db]) {
    return [hz, db + (this.#store.target?.offset_db ?? 0)];
  }

  /** @param {PointerEvent} e @returns {Point} */
  #at(e) {
    const rect = this.#surface.getBoundingClientRect();
    const hz = Math.min(WHOLE[1], Math.max(WHOLE[0], this.#plot.fromX(e.clientX - rect.left)));
    const [lo, hi] = this.#plot.yRange;
    return [Number(hz.toPrecision(4)), Number(Math.min(hi, Math.max(lo, this.#plot.fromY(e.clientY - rect.top))).toFixed(1))];
  }

  /** @param {PointerEvent} e */
  #down(e) {
    if (e.pointerType === 'mouse' && e.button !== 0) return;
    e.preventDefault();
    e.stopPropagation(); // the plot behind it stays as it is
    const touched = /** @type {HTMLElement} */ (e.target).closest('.target-point');
    const k = touched ? this.#handles.indexOf(/** @type {HTMLButtonElement} */ (touched)) : -1;
    const { target } = this.#store;
    const before = target ? target.points.map((p) => /** @type {[number, number]} */ ([...p])) : [];
    const from = [e.clientX, e.clientY];
    let moved = false;
    const surface = this.#surface;
    surface.setPointerCapture(e.pointerId);
    const move = (/** @type {PointerEvent} */ m) => {
      m.stopPropagation();
      moved ||= Math.hypot(m.clientX - from[0], m.clientY - from[1]) > TAP_PX;
      if (!moved || k < 0 || !target) return;
      target.points = this.#placed(before, k, this.#at(m));
      this.#redraw();
    };
    const end = (/** @type {PointerEvent} */ m) => {
      m.stopPropagation();
      surface.removeEventListener('pointermove', move);
      surface.removeEventListener('pointerup', end);
      surface.removeEventListener('pointercancel', end);
      if (m.type === 'pointercancel') {
        if (target) target.points = before;
        this.#redraw();
      } else if (k >= 0 && target) {
        this.#keep(before, moved ? this.#placed(before, k, this.#at(m)) : before.filter((_, i) => i !== k));
      } else if (!moved) {
        this.#keep(before, this.#placed(before, -1, this.#at(m)));
      }
    };
    surface.addEventListener('pointermove', move);
    surface.addEventListener('pointerup', end);
    surface.addEventListener('pointercancel', end);
  }

  /** The points with one moved, or with another one: each between its neighbours. @param {[number, number][]} points @param {number} k −1: a new one @param {Point} to @returns {[number, number][]} */
  #placed(points, k, [hz, db]) {
    const rest = points.filter((_, i) => i !== k);
    const step = 2 ** NEAREST_OCTAVES;
    const below = rest.filter(([f], i) => (k < 0 ? f <= hz : i < k));
    const above = rest.slice(below.length);
    let at = hz;
    if (above.length) at = Math.min(at, above[0][0] / step);
    if (below.length) at = Math.max(at, below[below.length - 1][0] * step);
    return [...below, [Number(at.toPrecision(5)), db - (this.#store.target?.offset_db ?? 0)], ...above];
  }

  /** @param {[number, number][]} before @param {[number, number][]} points */
  #keep(before, points) {
    const { target } = this.#store;
    if (points.length > MOST) return;
    if (target && !points.length) {
      target.points = before;
      void this.#store.removeTarget(target); // with its own undo
      return;
    }
    this.#before.push(before);
    if (target) void this.#store.changeTarget(target, { points });
    else void this.#store.addTarget({ points });
  }

  #back() {
    const points = this.#before.pop();
    const { target } = this.#store;
    if (!points || !target) return;
    if (points.length) void this.#store.changeTarget(target, { points });
    else void this.#store.removeTarget(target);
  }

  /** @param {KeyboardEvent} e @param {number} k */
  #key(e, k) {
    const { target } = this.#store;
    if (!target) return;
    const before = target.points.map((p) => /** @type {[number, number]} */ ([...p]));
    const [hz, db] = this.#drawn(before[k]);
    const by = { ArrowUp: [0, 0.5], ArrowDown: [0, -0.5], ArrowLeft: [-1 / 12, 0], ArrowRight: [1 / 12, 0] }[e.key];
    if (e.key === 'Escape') this.stop();
    else if (e.key === 'Delete' || e.key === 'Backspace') this.#keep(before, before.filter((_, i) => i !== k));
    else if (by) this.#keep(before, this.#placed(before, k, [Number((hz * 2 ** by[0]).toPrecision(4)), db + by[1]]));
    else return;
    e.preventDefault();
    e.stopPropagation();
  }
}
