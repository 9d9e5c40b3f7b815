// @ts-check
// What this page's token allows. What only an operator may use is marked where it is made, and a viewer does not see
// it ('hide', by a rule of style/base.css) or sees and hears what it says and cannot set it ('still'). The daemon has
// written the role into the page, so that nothing is made twice.

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

/** What a control does on its own, or begins. */
const ACTS = ['pointerdown', 'mousedown', 'click', 'keydown', 'focus', 'blur', 'input', 'change'];

/** @param {HTMLElement|SVGElement} node @param {Operates} how */
export function operates(node, how) {
  node.dataset.operates = how;
  if (how !== 'still' || !viewing()) return;
  // It is read, by a screen reader too, and copied; it does nothing.
  if (node instanceof HTMLInputElement) node.readOnly = true;
  else node.setAttribute('aria-disabled', 'true');
  for (const act of ACTS) node.addEventListener(act, still, true);
}

/** @param {Event} e */
function still(e) {
  const typing = e instanceof KeyboardEvent && (e.key === 'Tab' || e.ctrlKey || e.metaKey || e.key === 'Escape');
  if (typing) return;
  e.stopImmediatePropagation();
  if (!(e.currentTarget instanceof HTMLInputElement)) e.preventDefault(); // a choice would open
}
