// @ts-check
// Where words go on a drawing: the first of several places that covers nothing.

/** @typedef {{left: number, top: number, right: number, bottom: number}} Box */

/** @param {Box} a @param {Box} b */
const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;

/**
 * @template {{box: Box}} P
 * @param {P[]} places the best first @param {Box[]} taken the chosen one is added @param {Box} within
 * @returns {P} the first that is free; the first of all if none is
 */
export function freePlace(places, taken, within) {
  const inside = (/** @type {Box} */ b) => b.left >= within.left && b.right <= within.right && b.top >= within.top && b.bottom <= within.bottom;
  const free = places.find(({ box }) => inside(box) && !taken.some((t) => meet(t, box))) ?? places[0];
  taken.push(free.box);
  return free;
}
