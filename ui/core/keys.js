// @ts-check
// One table of keys for what they do and for the sheet that lists them.

import { viewing } from './role.js';

/**
 * @typedef {{key: string, says: string, operates?: boolean, run: (event: KeyboardEvent) => void}} Binding
 *   operates: only an operator's
 *   key: as KeyboardEvent.key, with "Shift+", "Control+" in front where held
 */

/** @type {Set<Binding[]>} */
const tables = new Set();

/** @param {Binding[]} table @returns {() => void} call it to forget them */
export function bind(table) {
  tables.add(table);
  return () => tables.delete(table);
}

export function bindings() {
  return [...tables].flat().filter((b) => !b.operates || !viewing());
}

/** A digit above the letters is that digit with Shift too, on every layout. @param {KeyboardEvent} event */
function name(event) {
  const digit = /^Digit(\d)$/.exec(event.code)?.[1];
  if (digit) return `${event.ctrlKey || event.metaKey ? 'Control+' : ''}${event.shiftKey ? 'Shift+' : ''}${digit}`;
  const special = event.key.length > 1;
  return (event.ctrlKey || event.metaKey ? 'Control+' : '') + (event.shiftKey && special ? 'Shift+' : '') + event.key;
}

addEventListener('keydown', (event) => {
  if (event.altKey || event.defaultPrevented) return;
  const target = /** @type {HTMLElement} */ (event.target);
  if (target.closest?.('input, select, textarea, dialog')) return;
  const pressed = name(event);
  for (const binding of bindings()) {
    if (!binding.key.split(' ').includes(pressed)) continue;
    // A focused handle on the plan moves with the arrows itself.
    if (pressed.includes('Arrow') && target.closest?.('[data-arrows]')) return;
    event.preventDefault();
    binding.run(event);
    return;
  }
});
