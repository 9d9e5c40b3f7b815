// @ts-check
// The events of the open show, the newest first: read once, then as the daemon tells.

import { ask } from '../core/api.js';

/** @typedef {import('../core/types.js').WatchEvent} WatchEvent */

/** Somebody has still to say that it was seen; an all-clear needs nobody. @param {WatchEvent} e */
export const isOpen = (e) => !e.acknowledged && e.mark !== 'steady';

const PAGE = 100;

export class EventLog {
  /** @type {WatchEvent[]} */
  events = [];
  /** There are older ones. */
  more = false;
  #notices;
  #onChange;
  #file = '';
  #deleted = 0; // bytes of audio
  #off;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices @param {() => void} onChange */
  constructor(session, notices, onChange) {
    this.#notices = notices;
    this.#onChange = onChange;
    const file = () => {
      if (session.show === undefined) return;
      const now = session.show?.file ?? '';
      const deleted = session.show?.deleted_audio_bytes ?? 0;
      if (now === this.#file && deleted === this.#deleted) return;
      this.#file = now;
      this.#deleted = deleted; // or brought back: of which events?
      this.events = [];
      this.more = false;
      if (now) void this.#read(0);
      else this.#onChange();
    };
    this.#off = [
      session.on('event', (event) => this.#put(event)), session.on('show', file),
      session.on('hello', () => this.#file && void this.#read(0)), // what was missed while away
    ];
    file();
  }

  close() {
    for (const off of this.#off) off();
  }

  older() {
    return this.#read(this.events[this.events.length - 1]?.id ?? 0);
  }

  /** @param {WatchEvent} event @param {{acknowledged?: boolean, comment?: string}} patch */
  async change(event, patch) {
    const answer = await this.#notices.guard(ask('PATCH', `/api/v1/events/${event.id}`, patch));
    if (answer) this.#put(answer);
    else this.#onChange(); // refused: what it was
  }

  /** All that are open. */
  async acknowledgeAll() {
    const answer = await this.#notices.guard(ask('POST', '/api/v1/events/acknowledge'));
    for (const event of answer?.events ?? []) if (this.events.some((e) => e.id === event.id)) this.#put(event);
  }

  /** @param {number} before an id; 0: the newest */
  async #read(before) {
    const answer = await this.#notices.guard(ask('GET', `/api/v1/events?limit=${PAGE}${before ? `&before=${before}` : ''}`));
    if (!answer) return;
    const known = new Map(this.events.map((e) => [e.id, e]));
    for (const e of answer.events) known.set(e.id, e);
    this.events = [...known.values()];
    if (before || !this.more) this.more = answer.events.length === PAGE;
    this.#sort();
  }

  /** @param {WatchEvent} event */
  #put(event) {
    const k = event.id ? this.events.findIndex((e) => e.id === event.id) : -1;
    if (k >= 0) this.events[k] = event;
    else this.events.unshift(event);
    this.#sort();
  }

  #sort() {
    this.events.sort((a, b) => Date.parse(b.at) - Date.parse(a.at) || b.id - a.id);
    this.#onChange();
  }
}
