// @ts-check
// Everything this page knows of the daemon, and who wants to hear of what.

import { speedOfSound } from './air.js';
import { Frame, sequenceOf } from './frames.js';
import { Socket } from './socket.js';

/** @typedef {import('./types.js').State} State */
/** @typedef {import('./types.js').Hello} Hello */
/** @typedef {import('./types.js').Verdict} Verdict */
/** @typedef {import('./types.js').Rig} Rig */
/** @typedef {{open: boolean, stale: boolean, lastMs: number}} Status */
/** @typedef {'hello'|'state'|'verdict'|'rig'|'show'|'survey'|'levels'|'watch'|'event'|'notice'|'frame'|'status'} Topic */

/** States of a survey that is not over. */
export const RUNNING = ['ramping', 'measuring', 'storing', 'asking'];

/** Does a survey sound, is it about to, or does it wait for an answer? @param {import('./types.js').Survey|null} survey */
export const running = (survey) => !!survey && RUNNING.includes(survey.state);

export class Session {
  /** @type {Hello|null} */
  hello = null;
  /** @type {State|null} */
  state = null;
  /** @type {Rig|null} */
  rig = null;
  /** @type {import('./types.js').Show|null|undefined} null: none is open; undefined: this daemon keeps none */
  show = undefined;
  /** @type {import('./types.js').Survey|null} */
  survey = null;
  /** @type {import('./types.js').SoundLevels|null} */
  levels = null;
  /** Microphones that are compared with a baseline. @type {import('./types.js').Watch[]} */
  watches = [];
  /** @type {Map<number, Verdict>} */
  verdicts = new Map();
  /** @type {Status} */
  status = { open: false, stale: false, lastMs: 0 };
  frame = new Frame();
  frames = 0; // drawn since the page was opened
  /** Hz, the frequency of each point of a curve @type {number[]} */
  grid = [];

  /** @type {Map<Topic, Set<(value: any) => void>>} */
  #listeners = new Map();
  /** @type {ArrayBuffer|null} */
  #pending = null;
  #request = 0;
  #socket;

  /** @param {string} url */
  constructor(url) {
    this.#socket = new Socket(url, {
      text: (message) => this.#text(message),
      binary: (buffer) => this.#binary(buffer),
      status: (status) => {
        this.status = status;
        this.#tell('status', status);
      },
    });
  }

  close() {
    cancelAnimationFrame(this.#request);
    this.#socket.close();
    this.#listeners.clear();
  }

  /**
   * @param {Topic} topic
   * @param {(value: any) => void} listener
   * @returns {() => void} call it to stop listening
   */
  on(topic, listener) {
    let set = this.#listeners.get(topic);
    if (!set) this.#listeners.set(topic, (set = new Set()));
    set.add(listener);
    return () => set.delete(listener);
  }

  /** @param {object} want */
  want(want) {
    this.#socket.want(want);
  }

  get client() {
    return this.hello?.client ?? '';
  }

  /** Metres a second in this room's air. */
  get speedOfSound() {
    return speedOfSound(this.rig?.temperature_c ?? this.state?.settings.temperature_c ?? 20);
  }

  /** @param {number} channel from 1 */
  channelName(channel) {
    return this.state?.source.channels[channel - 1] || `channel ${channel}`;
  }

  /** Connects anew. */
  comeAgain() {
    this.#socket.again();
  }

  /** @param {Topic} topic @param {any} value */
  #tell(topic, value) {
    for (const listener of [...(this.#listeners.get(topic) ?? [])]) listener(value);
  }

  /** @param {any} message */
  #text(message) {
    switch (message.type) {
      case 'hello':
        this.hello = message;
        this.grid = message.grid ?? [];
        this.#tell('hello', message);
        break;
      case 'state':
        this.state = message.state;
        this.#tell('state', this.state);
        break;
      case 'verdict':
        this.verdicts.set(message.microphone, message);
        this.#tell('verdict', message);
        break;
      case 'rig':
        this.rig = message.rig;
        this.#tell('rig', this.rig);
        break;
      case 'show':
        this.show = message.show;
        this.#tell('show', this.show);
        break;
      case 'survey':
        this.survey = message.survey;
        this.#tell('survey', this.survey);
        break;
      case 'levels':
        this.levels = message.levels;
        this.#tell('levels', this.levels);
        break;
      case 'watch':
        this.watches = message.watch.watches;
        this.#tell('watch', this.watches);
        break;
      case 'event':
        this.#tell('event', message.event);
        break;
      case 'notice':
        this.#tell('notice', message);
        break;
    }
  }

  /** @param {ArrayBuffer} buffer */
  #binary(buffer) {
    this.#pending = buffer; // the newest wins
    if (document.hidden) {
      // Nothing is drawn, but the daemon must not wait for this page.
      this.#socket.acknowledge(sequenceOf(buffer));
    } else if (!this.#request) {
      this.#request = requestAnimationFrame(this.#draw);
    }
  }

  #draw = () => {
    this.#request = 0;
    const buffer = this.#pending;
    this.#pending = null;
    if (!buffer || !this.frame.decode(buffer)) return;
    // A frame of another epoch has another grid: its hello is on the way.
    if (this.frame.epoch === this.hello?.epoch) {
      this.#tell('frame', this.frame);
      if (this.frames++ === 0) performance.mark('plumbline:first-frame');
    }
    this.#socket.acknowledge(this.frame.seq);
  };
}
