// @ts-check
// What this page's token allows. What only an operator may use is marked where it is made, and a viewer does not see
// it ('hide', by a rule of style/base.css) or sees what it says and cannot set it ('still').

/** @typedef {'hide'|'still'} Operates */

const root = document.documentElement;

/** Only looks on? */
export const viewing = () => root.dataset.role === 'viewer';

/** @param {string} role @returns {boolean} whether pages are to be made anew */
export function setRole(role) {
  const before = viewing();
  root.dataset.role = role;
  return viewing() !== before;
}

/** @param {HTMLElement|SVGElement} node @param {Operates} how */
export function operates(node, how) {
  node.dataset.operates = how;
  if (how === 'still' && viewing() && node instanceof HTMLElement) node.inert = true;
}
