// @ts-check
// What the audio around events takes of the show, and how to be rid of it. Events stay.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { Field } from './field.js';

const UNTIL = 'Until the show is opened again it can be brought back; then its space is given back.';

/** Takes back what was deleted. @param {import('./notice.js').Notices} notices @param {number} undo */
export const bringBack = (notices, undo) => notices.guard(ask('POST', '/api/v1/show/undo', { undo }));

/** Nothing asks: it can be taken back. @param {import('./notice.js').Notices} notices @param {number} id of the event; 0: of all */
export async function deleteAudio(notices, id) {
  const answer = await notices.guard(ask('DELETE', id ? `/api/v1/events/${id}/audio.wav` : '/api/v1/events/audio'));
  if (answer) notices.say(`The audio is deleted. ${UNTIL}`, { label: 'Undo', run: () => void bringBack(notices, answer.undo) });
}

const MEGA = 1e6;
const EVENT_S = 15; // of audio around each
const FRAME_BYTES = 8;
const AGAIN_MB = 500; // what is kept when it is switched on again
/** @param {number} bytes */
const mega = (bytes) => `${fixed(bytes / MEGA, 1)} MB`;

/** A line for pages: how much there is, how much there may be, and all of it away. */
export class EventAudio {
  #session;
  #notices;
  #text = el('span', { 'data-testid': 'event-audio' });
  #switch = el('button', { type: 'button', 'data-testid': 'event-audio-switch', operates: 'hide', onclick: () => this.#most((this.#session.show?.event_audio_most_bytes ?? 0) > 0 ? 0 : AGAIN_MB) });
  #cap = new Field({ label: 'At most, megabytes of audio around events', unit: 'MB', step: 50, least: 10, most: 100000, digits: 0, testid: 'event-audio-cap', operates: true, commit: (mb) => this.#most(mb) });
  #upTo = el('span', { class: 'choice' }, el('span', { text: 'up to' }), this.#cap.node);
  #delete;
  #off;
  node;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#notices = notices;
    this.#delete = el('button', { type: 'button', text: 'Delete it all', title: UNTIL, 'data-testid': 'event-audio-delete', operates: 'hide', onclick: () => void deleteAudio(notices, 0) });
    this.node = el('div', { class: 'remark event-audio' }, this.#switch, ' ', this.#upTo, ' ', this.#text, ' ', this.#delete);
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
    const most = show?.event_audio_most_bytes ?? 0;
    this.node.hidden = !show;
    this.#delete.hidden = !kept;
    this.#upTo.hidden = !most;
    say(this.#switch, most ? 'Audio around events: on' : 'Audio around events: off');
    this.#switch.setAttribute('aria-pressed', String(!!most));
    this.#cap.show(most / MEGA);
    const full = most > 0 && kept + deleted + EVENT_S * (this.#session.hello?.rate_hz ?? 0) * FRAME_BYTES > most;
    say(this.#text, [
      kept ? `${mega(kept)} of the show's ${mega(show?.size_bytes ?? 0)}.` : 'None is kept.',
      deleted ? `${mega(deleted)} deleted: given back when the show is opened again.` : '',
      full ? '▲ Full: no more is kept of new events. Delete some, or allow more.' : '',
    ].filter(Boolean).join(' '));
  }

  /** @param {number} mb */
  #most(mb) {
    void this.#notices.guard(ask('PATCH', '/api/v1/events/audio', { most_bytes: Math.round(mb * MEGA) }));
  }
}
