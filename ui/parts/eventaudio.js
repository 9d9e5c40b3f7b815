// @ts-check
// What the audio around events takes of the show, and how to be rid of it. Events stay.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';

const UNTIL = 'Until the show is opened again it can be brought back; then its space is given back.';

/** Takes back what was deleted. @param {import('./notice.js').Notices} notices @param {number} undo */
export const bringBack = (notices, undo) => notices.guard(ask('POST', '/api/v1/show/undo', { undo }));

/** Nothing asks: it can be taken back. @param {import('./notice.js').Notices} notices @param {number} id of the event; 0: of all */
export async function deleteAudio(notices, id) {
  const answer = await notices.guard(ask('DELETE', id ? `/api/v1/events/${id}/audio.wav` : '/api/v1/events/audio'));
  if (answer) notices.say(`The audio is deleted. ${UNTIL}`, { label: 'Undo', run: () => void bringBack(notices, answer.undo) });
}

/** A line for pages: how much there is, and all of it away. */
export class EventAudio {
  #session;
  #text = el('span', { 'data-testid': 'event-audio' });
  #delete;
  #off;
  node;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#delete = el('button', { type: 'button', text: 'Delete it all', title: UNTIL, 'data-testid': 'event-audio-delete', onclick: () => void deleteAudio(notices, 0) });
    this.node = el('p', { class: 'remark event-audio' }, this.#text, ' ', this.#delete);
    this.#off = session.on('show', () => this.show());
    this.show();
  }

  close() {
    this.#off();
  }

  show() {
    const { show } = this.#session;
    const kept = show?.event_audio_bytes ?? 0;
    const deleted = show?.deleted_audio_bytes ?? 0;
    this.node.hidden = !kept && !deleted;
    this.#delete.hidden = !kept;
    const mega = (/** @type {number} */ bytes) => `${fixed(bytes / 1e6, 1)} MB`;
    say(this.#text, [
      kept ? `Audio around events: ${mega(kept)} of the show's ${mega(show?.size_bytes ?? 0)}.` : '',
      deleted ? `${mega(deleted)} deleted: given back when the show is opened again.` : '',
    ].filter(Boolean).join(' '));
  }
}
