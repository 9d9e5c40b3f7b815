// @ts-check
// One line at the foot of the page: what someone changed, or what the daemon refused.

import { el } from '../core/dom.js';

const SHOWN_MS = 5000;

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
    this.node.append(line);
    setTimeout(leave, SHOWN_MS);
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
