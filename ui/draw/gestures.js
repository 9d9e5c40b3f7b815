// @ts-check
// Wheel, drag and pinch on a plot, as changes of its two ranges. Phones flick, mice hover, thumbs point.

/** @typedef {[number, number]} Range */
/**
 * @typedef {object} Target
 * @property {HTMLElement} surface takes the pointers
 * @property {() => {left: number, top: number, width: number, height: number}} area the plotting area in it, CSS pixels
 * @property {() => {x: Range, y: Range}} view
 * @property {(x: Range, y: Range) => void} setView
 * @property {boolean} log the x axis is logarithmic
 * @property {boolean} freeY y may be zoomed and moved too
 * @property {() => boolean} home the whole range is shown
 * @property {() => void} goHome
 * @property {(px: number, py: number) => void} point CSS pixels in the area
 * @property {(step: -1|1) => void} [flick]
 * @property {boolean} [lead] one pointer that is down always leads the line, and a mouse that is not down does not
 */

const FLICK_PX = 60;
const FLICK_MS = 300;

/** @param {Target} target @returns {() => void} call it to let go */
export function gestures(target) {
  const { surface } = target;
  /** The plotting area on the screen. */
  const rectangle = () => {
    const rect = surface.getBoundingClientRect();
    const area = target.area();
    return { left: rect.left + area.left, top: rect.top + area.top, width: area.width, height: area.height };
  };
  surface.style.touchAction = 'pan-y'; // one finger upwards scrolls the page, the rest is ours
  /** @type {Map<number, {x: number, y: number}>} */
  const fingers = new Map();
  let start = { at: 0, x: 0, y: 0, view: target.view(), rect: rectangle(), spreadX: 1, spreadY: 1, moved: false };

  const middle = () => {
    const all = [...fingers.values()];
    return { x: all.reduce((s, f) => s + f.x, 0) / all.length, y: all.reduce((s, f) => s + f.y, 0) / all.length };
  };
  const spread = (/** @type {'x'|'y'} */ axis) => {
    const [a, b] = [...fingers.values()];
    return Math.max(40, Math.abs(a[axis] - b[axis]));
  };
  const begin = (/** @type {number} */ at) => {
    const m = middle();
    const two = fingers.size > 1;
    start = {
      at, x: m.x, y: m.y, view: target.view(), rect: rectangle(),
      spreadX: two ? spread('x') : 1, spreadY: two ? spread('y') : 1, moved: start.moved && fingers.size > 0 && at - start.at < 1000,
    };
  };

  /** @param {PointerEvent} e */
  const down = (e) => {
    if (e.pointerType === 'mouse' && e.button !== 0) return;
    surface.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, { x: e.clientX, y: e.clientY });
    if (fingers.size === 1) start.moved = false;
    begin(e.timeStamp);
  };
  /** @param {PointerEvent} e */
  const move = (e) => {
    const finger = fingers.get(e.pointerId);
    if (!finger) {
      if (e.pointerType === 'mouse' && !target.lead) point(e);
      return;
    }
    finger.x = e.clientX;
    finger.y = e.clientY;
    const m = middle();
    const dx = m.x - start.x;
    const dy = m.y - start.y;
    if (Math.hypot(dx, dy) > 5) start.moved = true;
    if (!start.moved && fingers.size === 1) return;
    if (fingers.size === 1 && (target.lead || ((e.pointerType !== 'mouse' || e.shiftKey) && target.home()))) {
      point(e); // nothing to move: the thumb leads the line
      return;
    }
    const { width, height, left, top } = start.rect;
    let { x, y } = start.view;
    if (fingers.size > 1) {
      x = scale(x, (start.x - left) / width, start.spreadX / spread('x'), target.log);
      if (target.freeY) y = scale(y, 1 - (start.y - top) / height, start.spreadY / spread('y'), false);
    }
    x = shift(x, -dx / width, target.log);
    if (target.freeY) y = shift(y, dy / height, false);
    target.setView(x, y);
  };
  /** @param {PointerEvent} e */
  const up = (e) => {
    const finger = fingers.get(e.pointerId);
    if (!finger) return;
    fingers.delete(e.pointerId);
    if (fingers.size) {
      begin(e.timeStamp);
      return;
    }
    if (e.type === 'pointercancel') return;
    const dx = e.clientX - start.x;
    const quick = e.timeStamp - start.at < FLICK_MS;
    if (!start.moved) point(e);
    else if (e.pointerType === 'touch' && quick && Math.abs(dx) > FLICK_PX && target.home()) target.flick?.(dx < 0 ? 1 : -1);
  };
  /** @param {PointerEvent} e */
  const point = (e) => {
    const rect = rectangle();
    target.point(e.clientX - rect.left, e.clientY - rect.top);
  };
  /** @param {WheelEvent} e */
  const wheel = (e) => {
    e.preventDefault();
    const rect = rectangle();
    const { x, y } = target.view();
    const amount = e.deltaMode === 1 ? e.deltaY * 30 : e.deltaY || e.deltaX;
    const by = Math.exp(Math.max(-300, Math.min(300, amount)) / 500);
    if (e.shiftKey && target.freeY) target.setView(x, scale(y, 1 - (e.clientY - rect.top) / rect.height, by, false));
    else if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) target.setView(shift(x, e.deltaX / rect.width, target.log), y);
    else target.setView(scale(x, (e.clientX - rect.left) / rect.width, by, target.log), y);
  };
  const twice = () => target.goHome();

  surface.addEventListener('pointerdown', down);
  surface.addEventListener('pointermove', move);
  surface.addEventListener('pointerup', up);
  surface.addEventListener('pointercancel', up);
  surface.addEventListener('wheel', wheel, { passive: false });
  surface.addEventListener('dblclick', twice);
  return () => {
    surface.removeEventListener('pointerdown', down);
    surface.removeEventListener('pointermove', move);
    surface.removeEventListener('pointerup', up);
    surface.removeEventListener('pointercancel', up);
    surface.removeEventListener('wheel', wheel);
    surface.removeEventListener('dblclick', twice);
  };
}

/** Widens a range by a factor about a point of it (0…1). @param {Range} r @param {number} at @param {number} by @param {boolean} log @returns {Range} */
export function scale(r, at, by, log) {
  if (log) {
    const [lo, hi] = scale([Math.log(r[0]), Math.log(r[1])], at, by, false);
    return [Math.exp(lo), Math.exp(hi)];
  }
  const pivot = r[0] + (r[1] - r[0]) * at;
  return [pivot - (pivot - r[0]) * by, pivot + (r[1] - pivot) * by];
}

/** Moves a range by a part of its width. @param {Range} r @param {number} by @param {boolean} log @returns {Range} */
export function shift(r, by, log) {
  if (log) {
    const k = (r[1] / r[0]) ** by;
    return [r[0] * k, r[1] * k];
  }
  const d = (r[1] - r[0]) * by;
  return [r[0] + d, r[1] + d];
}

/** Keeps a range inside its limits and no narrower than least (a ratio if log). @param {Range} r @param {Range} limits @param {number} least @param {boolean} log @returns {Range} */
export function within(r, limits, least, log) {
  if (log) {
    const [lo, hi] = within([Math.log(r[0]), Math.log(r[1])], [Math.log(limits[0]), Math.log(limits[1])], Math.log(least), false);
    return [Math.exp(lo), Math.exp(hi)];
  }
  const width = Math.min(limits[1] - limits[0], Math.max(least, r[1] - r[0]));
  const middle = (r[0] + r[1]) / 2;
  const lo = Math.min(limits[1] - width, Math.max(limits[0], middle - width / 2));
  return [lo, lo + width];
}
