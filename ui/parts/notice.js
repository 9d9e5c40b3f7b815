// @ts-check
// One line at the foot of the page: what someone changed, or what the daemon refused.

import { el } from '../core/dom.js';

const SHOWN_MS = 5000;
const ACTION_MS = 12000; // time to reach the button by keyboard

export class Notices {
  node = el('div', { class: 'notices', role: 'status', 'aria-live': 'polite' });

  /** @param {string} text @param {{label: string, run: () => void}} [action] */
  say(text, action) {
    const line = el('div', { class: 'notice' }, el('span', { text }));
    const leave = () => line.remove();
    if (action) {
      line.append(el('button', { type: 'button', text: action.label, onclick: () => {
        leave();
        action.run();
      } }));
    }
    while (this.node.children.length > 1) this.node.firstChild?.remove();
    // Over a sheet nothing outside it is seen or touched.
    const over = [...document.querySelectorAll('dialog[open]')].pop() ?? document.body;
    if (this.node.parentNode !== over) over.append(this.node);
    this.node.append(line);
    const wait = () => setTimeout(() => (line.matches(':hover, :focus-within') ? wait() : leave()), action ? ACTION_MS : SHOWN_MS);
    wait();
  }

  /** For promises of changes: a refusal is a sentence. @param {Promise<any>} change */
  async guard(change) {
    try {
      return await change;
    } catch (error) {
      this.say(error instanceof Error ? error.message : String(error));
      return null;
    }
  }
}
