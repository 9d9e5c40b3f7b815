// @ts-check
// Elements without markup: text goes in as text.

import { operates } from './role.js';

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, any>} [props] class, text, on… listeners, data-…, aria-…, and plain properties; operates: see role.js
 * @param {...(Node|string|null|undefined)} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  assign(node, props);
  for (const child of children) if (child != null) node.append(child);
  return node;
}

/**
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, any>} [props]
 * @param {...(Node|string|null|undefined)} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function svg(tag, props = {}, ...children) {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  assign(node, props);
  for (const child of children) if (child != null) node.append(child);
  return node;
}

/** @param {Element} node @param {Record<string, any>} props */
function assign(node, props) {
  for (const [key, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (key === 'text') node.textContent = typeof value === 'string' ? minus(value) : value;
    else if (key === 'operates') operates(/** @type {HTMLElement|SVGElement} */ (node), value);
    else if (key === 'class') node.setAttribute('class', value);
    else if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else if (node instanceof HTMLElement && key in node && !key.includes('-')) /** @type {any} */ (node)[key] = value;
    else node.setAttribute(key, String(value));
  }
}

/** Sets text only where it differs: the browser repaints and the screen reader speaks otherwise. @param {Node} node @param {string} text */
export function say(node, text) {
  const typeset = minus(text);
  if (node.textContent !== typeset) node.textContent = typeset;
}

/** Sentences come with the hyphen that keyboards have in front of numbers: here it is a minus. @param {string} text */
const minus = (text) => (text.includes('-') ? text.replace(/(^|[\s(±…])-(?=\d)/g, '$1−') : text);

/** A function that runs at most once in ms, the last call always. @param {() => void} run @param {number} ms */
export function throttle(run, ms) {
  let timer = 0;
  let last = -Infinity;
  const call = () => {
    clearTimeout(timer);
    const wait = last + ms - performance.now();
    if (wait <= 0) {
      last = performance.now();
      run();
    } else {
      timer = window.setTimeout(call, wait);
    }
  };
  return call;
}
