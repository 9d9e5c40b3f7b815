// @ts-check
// Where words go on a drawing: the first of several places that covers nothing.

/** @typedef {{left: number, top: number, right: number, bottom: number}} Box */

/** @param {Box} a @param {Box} b */
const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;

/**
 * @template {{box: Box}} P
 * @param {P[]} places the best first @param {Box[]} taken a free place is added @param {Box} within
 * @returns {{place: P, free: boolean}} the first of all if none is free
 */
export function freePlace(places, taken, within) {
  const inside = (/** @type {Box} */ b) => b.left >= within.left - 1 && b.right <= within.right + 1 && b.top >= within.top && b.bottom <= within.bottom;
  const found = places.find(({ box }) => inside(box) && !taken.some((t) => meet(t, box)));
  if (found) taken.push(found.box);
  return { place: found ?? places[0], free: !!found };
}
