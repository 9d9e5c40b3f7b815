// @ts-check
// What was found, the newest first: when, what, how sure; to be acknowledged, commented, and heard.

import { chimes, setChime } from '../core/chime.js';
import { el, say } from '../core/dom.js';
import { clock, fixed } from '../core/format.js';
import { MARKS } from '../core/marks.js';
import { upper } from './alignwords.js';
import { EventAudio, bringBack, deleteAudio } from './eventaudio.js';
import { isOpen } from './eventlog.js';
import { openSheet } from './sheet.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').WatchEvent} WatchEvent */
/** @typedef {import('./eventlog.js').EventLog} EventLog */

const SHORT = 12; // on the page itself

export class EventList {
  #log;
  #options;
  #items = /** @type {Map<number, Item>} */ (new Map());
  #list = el('ol', { 'data-testid': 'events' });
  #none = el('p', { class: 'note' });
  #all = el('button', { type: 'button', text: 'All', hidden: true, 'data-testid': 'events-all', onclick: () => this.#open() });
  #filter = el('select', { 'aria-label': 'Events shown', 'data-testid': 'events-filter', onchange: () => this.draw() });
  #seen = el('button', { type: 'button', text: 'Acknowledge all', hidden: true, 'data-testid': 'acknowledge-all', operates: 'hide', onclick: () => void this.#log.acknowledgeAll() });
  #sound = el('button', { type: 'button', 'data-testid': 'events-sound', onclick: () => this.#turn() });
  #tools = el('p', { class: 'tools' }, this.#filter, this.#seen, this.#sound);
  #older = el('button', { type: 'button', text: 'Older', hidden: true, onclick: () => void this.#log.older() });
  #audio;
  #box;
  #whole = false;
  #observer = new ResizeObserver(() => this.#fit());
  #player = new Player(() => this.draw(), (text) => this.#options.notices.say(text));
  node;

  /** @param {EventLog} log @param {{session: import('../core/session.js').Session, notices: import('./notice.js').Notices, choose: (event: WatchEvent) => void, channelName: (channel: number) => string, about: () => string, watching: () => boolean}} options */
  constructor(log, options) {
    this.#log = log;
    this.#options = options;
    this.#audio = new EventAudio(options.session, options.notices);
    this.#box = el('div', { class: 'box' }, this.#tools, this.#none, this.#list, this.#older, this.#audio.node);
    this.node = el('section', { class: 'events', 'aria-label': 'Events' }, el('h2', {}, 'Events', this.#all), this.#box);
    this.#observer.observe(this.#box);
    this.draw();
  }

  close() {
    this.#observer.disconnect();
    this.#player.stop();
    this.#audio.close();
  }

  draw() {
    const all = this.#log.events;
    this.#listKinds(all);
    const events = all.filter((e) => this.#filter.value === '' || (this.#filter.value === 'open' ? isOpen(e) : e.kind === this.#filter.value));
    const shown = this.#whole ? events : events.slice(0, SHORT);
    const open = all.filter(isOpen).length;
    this.#filter.hidden = !all.length;
    this.#seen.hidden = !open;
    this.#tools.hidden = !all.length && !this.#options.watching();
    say(this.#sound, chimes() ? 'Sound on' : 'Sound off');
    this.#sound.setAttribute('aria-pressed', String(chimes()));
    say(this.#none, all.length ? 'None of these.' : this.#options.watching() ? 'None so far.' : 'What changes is listed here, once a baseline is watched.');
    this.#none.hidden = !!events.length;
    say(this.#all, open ? `All ${all.length}${this.#log.more ? '+' : ''}, ${open} open` : `All ${all.length}${this.#log.more ? '+' : ''}`);
    this.#older.hidden = !this.#whole || !this.#log.more;
    const items = new Map();
    for (const event of shown) {
      const item = this.#items.get(event.id) ?? new Item(this.#log, this.#player, this.#options);
      item.show(event, this.#options.about() === `event:${event.id}`);
      items.set(event.id, item);
    }
    this.#items = items;
    const nodes = [...items.values()].map((i) => i.node);
    if (nodes.length !== this.#list.children.length || nodes.some((n, k) => this.#list.children[k] !== n)) this.#list.replaceChildren(...nodes);
    this.#fit();
  }

  /** The sound of this browser's for what changes, on whatever page. */
  #turn() {
    setChime(!chimes());
    this.draw();
  }

  /** What there is to choose among. @param {WatchEvent[]} events */
  #listKinds(events) {
    const kinds = [...new Set(events.map((e) => e.kind))].sort();
    const key = kinds.join();
    if (this.#filter.dataset.key === key && this.#filter.options.length) return;
    this.#filter.dataset.key = key;
    const { value } = this.#filter;
    this.#filter.replaceChildren(el('option', { value: '', text: 'All kinds' }), el('option', { value: 'open', text: 'To acknowledge' }), ...kinds.map((kind) => el('option', { value: kind, text: upper(kind) })));
    this.#filter.value = [...this.#filter.options].some((o) => o.value === value) ? value : '';
  }

  #open() {
    this.#whole = true;
    this.draw();
    const dialog = openSheet('Events', this.#box);
    dialog.addEventListener('close', () => {
      this.#whole = false;
      this.draw();
    });
  }

  /** Where the page does not scroll, what does not fit whole is not begun. */
  #fit() {
    const bounded = !this.#whole && getComputedStyle(this.#box).overflowY === 'hidden';
    const bottom = this.#box.getBoundingClientRect().bottom;
    let hidden = this.#log.events.length > this.#list.children.length;
    for (const li of /** @type {HTMLCollectionOf<HTMLElement>} */ (this.#list.children)) li.style.visibility = '';
    if (bounded) {
      for (const li of /** @type {HTMLCollectionOf<HTMLElement>} */ (this.#list.children)) {
        if (li.getBoundingClientRect().bottom <= bottom + 1) continue;
        li.style.visibility = 'hidden';
        hidden = true;
      }
    }
    this.#all.hidden = !this.#log.events.length || (!hidden && !this.#whole && !bounded && !this.#log.more && this.#log.events.length <= SHORT);
  }
}

class Item {
  /** @type {WatchEvent|null} */
  #event = null;
  #player;
  #glyph = el('span', { class: 'glyph', 'aria-hidden': 'true' });
  #when = el('button', { type: 'button', class: 'when' });
  #text = el('p', { class: 'found' });
  #sure = el('small');
  #ack = el('button', { type: 'button', class: 'ack', operates: 'hide' });
  #hear = el('button', { type: 'button', class: 'hear', operates: 'hide' });
  #file = el('a', { class: 'file', text: 'WAV', operates: 'hide' });
  #away = el('button', { type: 'button', class: 'away', operates: 'hide' });
  #comment;
  #channelName;
  node;

  /** @param {EventLog} log @param {Player} player @param {{notices: import('./notice.js').Notices, choose: (event: WatchEvent) => void, channelName: (channel: number) => string}} options */
  constructor(log, player, { notices, choose, channelName }) {
    this.#player = player;
    this.#channelName = channelName;
    this.#comment = new TextField({ label: 'Comment', placeholder: 'Comment', empty: true, most: 500, commit: (comment) => this.#event && void log.change(this.#event, { comment }) });
    this.#when.addEventListener('click', () => this.#event && choose(this.#event));
    this.#ack.addEventListener('click', () => this.#event && void log.change(this.#event, { acknowledged: !this.#event.acknowledged }));
    this.#hear.addEventListener('click', () => this.#event && player.toggle(this.#event));
    this.#away.addEventListener('click', () => {
      if (!this.#event) return;
      const { id, audio } = this.#event;
      void (audio.undo ? bringBack(notices, audio.undo) : deleteAudio(notices, id));
    });
    this.node = el('li', { class: 'event' }, this.#glyph, el('div', { class: 'body' },
      el('p', { class: 'first' }, this.#when, this.#sure), this.#text,
      el('p', { class: 'acts' }, this.#ack, this.#hear, this.#file, this.#away, this.#comment.node)));
  }

  /** @param {WatchEvent} event @param {boolean} lit */
  show(event, lit) {
    this.#event = event;
    const at = Date.parse(event.at);
    const today = new Date(at).toDateString() === new Date().toDateString();
    this.node.dataset.mark = event.mark;
    this.node.dataset.kind = event.kind;
    this.node.dataset.id = String(event.id);
    this.node.classList.toggle('seen', event.acknowledged);
    this.node.classList.toggle('lit', lit);
    say(this.#glyph, MARKS[event.mark]);
    say(this.#when, today ? clock(at) : `${new Date(at).toLocaleDateString([], { day: 'numeric', month: 'short' })} ${clock(at)}`);
    this.#when.setAttribute('aria-label', `Show ${this.#when.textContent} on the time axis`);
    say(this.#sure, event.acknowledged ? `acknowledged${event.acknowledged_by ? ` by ${event.acknowledged_by}` : ''}` : [event.certainty, event.confidence === null ? '' : `${fixed(100 * event.confidence, event.confidence > 0.99 && event.confidence < 1 ? 1 : 0)} %`, event.seat_name || this.#channelName(event.microphone)].filter(Boolean).join(', '));
    say(this.#text, event.text);
    this.#ack.hidden = !event.id || (event.mark === 'steady' && !event.acknowledged);
    say(this.#ack, event.acknowledged ? 'Take back' : 'Acknowledge');
    this.#sure.title = event.acknowledged ? `${clock(Date.parse(event.acknowledged_at))}; found ${event.certainty}` : '';
    const audio = event.audio.sample_rate_hz > 0;
    this.#hear.hidden = this.#file.hidden = !audio;
    say(this.#hear, this.#player.says(event));
    this.#hear.setAttribute('aria-pressed', String(this.#player.plays(event)));
    this.#away.hidden = !audio && !event.audio.undo;
    say(this.#away, audio ? 'Delete audio' : 'Bring the audio back');
    if (audio && !this.#file.hasAttribute('href')) {
      this.#file.href = `/api/v1/events/${event.id}/audio.wav`;
      this.#file.download = `event ${event.id}.wav`;
      this.#file.setAttribute('aria-label', `Download ${fixed(event.audio.seconds, 0)} s of audio as WAV`);
    }
    this.#comment.node.hidden = !event.id;
    this.#comment.show(event.comment);
  }
}

/** The audio of one event at a time. */
class Player {
  #audio = /** @type {HTMLAudioElement|null} */ (null);
  #id = 0;
  #onChange;
  #onTrouble;

  /** @param {() => void} onChange @param {(text: string) => void} onTrouble */
  constructor(onChange, onTrouble) {
    this.#onChange = onChange;
    this.#onTrouble = onTrouble;
  }

  /** @param {WatchEvent} event */
  plays(event) {
    return this.#id === event.id && !!this.#audio;
  }

  /** @param {WatchEvent} event */
  toggle(event) {
    const same = this.#id === event.id;
    this.stop();
    if (same) return;
    this.#id = event.id;
    const audio = new Audio(`/api/v1/events/${event.id}/audio.wav`);
    this.#audio = audio;
    audio.ontimeupdate = () => this.#onChange();
    audio.onended = () => this.stop();
    const fail = () => {
      if (this.#audio !== audio) return; // stopped by hand
      this.stop();
      this.#onTrouble('The audio cannot be played here: download it, and play it elsewhere.');
    };
    audio.onerror = fail;
    audio.play().catch(fail);
    this.#onChange();
  }

  stop() {
    if (!this.#audio) return;
    this.#audio.ontimeupdate = this.#audio.onended = this.#audio.onerror = null;
    this.#audio.pause();
    this.#audio = null;
    this.#id = 0;
    this.#onChange();
  }

  /** @param {WatchEvent} event */
  says(event) {
    if (this.#id !== event.id || !this.#audio) return `Hear ${fixed(event.audio.seconds, 0)} s`;
    const to = event.audio.event_s - this.#audio.currentTime;
    return `Stop, ${to > 0 ? `found in ${fixed(to, 0)} s` : `found ${fixed(-to, 0)} s ago`}`;
  }
}
