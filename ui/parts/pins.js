// @ts-check
// Events on the time axis: a pin hangs where something was found; those too close to tell apart share one.

import { el, say } from '../core/dom.js';
import { clock } from '../core/format.js';
import { MARKS } from '../core/marks.js';

/** @typedef {import('../core/types.js').WatchEvent} WatchEvent */

const APART_PX = 22;

export class Pins {
  #host;
  #choose;
  /** @type {HTMLButtonElement[]} */
  #pins = [];
  /** @type {WatchEvent[][]} */
  #groups = [];

  /** @param {HTMLElement} host @param {(event: WatchEvent) => void} choose */
  constructor(host, choose) {
    this.#host = host;
    this.#choose = choose;
  }

  /** @param {import('../draw/plot.js').Plot} plot @param {WatchEvent[]} events the newest first @param {string} about what is lit */
  draw(plot, events, about) {
    const { left, top, width } = plot.area;
    /** @type {{x: number, events: WatchEvent[]}[]} */
    const groups = [];
    for (const event of events) {
      const x = plot.toX(Date.parse(event.at) / 1000);
      if (!(x >= 0 && x <= width)) continue;
      const last = groups[groups.length - 1];
      if (last && last.x - x < APART_PX) last.events.push(event);
      else groups.push({ x, events: [event] });
    }
    this.#groups = groups.map((g) => g.events);
    while (this.#pins.length < groups.length) {
      const k = this.#pins.length;
      const pin = el('button', { type: 'button', class: 'pin', onclick: () => this.#groups[k] && this.#choose(this.#groups[k][0]) }, el('span'));
      this.#pins.push(pin);
      this.#host.append(pin);
    }
    this.#pins.forEach((pin, k) => {
      const group = groups[k];
      if (pin.hidden === !!group) pin.hidden = !group;
      if (!group) return;
      const open = group.events.filter((e) => !e.acknowledged);
      const worst = ['act', 'attention', 'steady'].find((m) => group.events.some((e) => e.mark === m)) ?? 'steady';
      say(/** @type {Node} */ (pin.firstChild), MARKS[/** @type {keyof typeof MARKS} */ (worst)] + (group.events.length > 1 ? group.events.length : ''));
      pin.classList.toggle('lit', group.events.some((e) => about === `event:${e.id}`));
      pin.classList.toggle('seen', !open.length);
      pin.style.transform = `translate(${left + group.x}px, ${top}px)`;
      const [first] = group.events;
      const label = `${clock(Date.parse(first.at))} ${first.text}${group.events.length > 1 ? ` and ${group.events.length - 1} more` : ''}`;
      pin.title = label;
      pin.setAttribute('aria-label', label);
    });
  }
}
