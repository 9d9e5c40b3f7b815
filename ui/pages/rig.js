// @ts-check
import { el } from '../core/dom.js';

export class RigPage {
  node = el('div', { class: 'page rig' });
  /** @param {import('../app.js').Context} context */
  constructor(context) {
    void context;
  }
  close() {}
  plots() {
    return {};
  }
}
