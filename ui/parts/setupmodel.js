// @ts-check
// What the daemon says of its set-up, asked for as long as somebody looks, and what is chosen.

import { ask } from '../core/api.js';

/** @typedef {import('../core/types.js').Setup} Setup */
/** @typedef {import('../core/types.js').SourceChoice} SourceChoice */
/** @typedef {import('../core/types.js').AudioDevice} AudioDevice */

const EVERY_MS = 250; // a meter that is asked for
const LOOK_MS = 4000; // for devices while there is none

export class SetupModel {
  /** @type {Setup|null} */
  setup = null;
  /** What is under way: a sentence; '' for nothing. */
  busy = '';
  #notices;
  #changed;
  #timer = 0;
  #asking = false;
  #looked = performance.now();
  #closed = false;

  /** @param {import('./notice.js').Notices} notices @param {() => void} changed */
  constructor(notices, changed) {
    this.#notices = notices;
    this.#changed = changed;
    this.#timer = window.setInterval(() => void this.#ask(), EVERY_MS);
    void this.#ask();
  }

  close() {
    this.#closed = true;
    clearInterval(this.#timer);
  }

  /** The device that is captured. @returns {AudioDevice|null} */
  get device() {
    return this.setup?.devices.find((d) => d.id === this.setup?.source?.device) ?? null;
  }

  /** Captures with a device as it was chosen last. @param {AudioDevice} device */
  use(device) {
    return this.#choose(device.kept ?? { device: device.id, reference: 1, microphones: [2], rate_hz: 0, names: [], output: '', loopback_output: 0 });
  }

  /** Changes something of what is chosen. @param {Partial<SourceChoice>} patch */
  change(patch) {
    const source = this.setup?.source;
    if (source) void this.#choose({ ...source, ...patch });
  }

  /** What an input is. Whatever has to make room takes its part. @param {number} channel @param {'reference'|'microphone'|'none'} role */
  assign(channel, role) {
    const source = this.setup?.source;
    if (!source) return;
    const was = source.microphones.includes(channel);
    let { reference, microphones } = source;
    microphones = microphones.filter((m) => m !== channel);
    if (role === 'reference') {
      if (was) microphones = [...microphones, reference];
      reference = channel;
    } else if (role === 'microphone') {
      microphones = [...microphones, channel];
    }
    if (role !== 'reference' && channel === reference) {
      const next = source.microphones.find((m) => m !== channel);
      if (next === undefined) return this.#notices.say('There must be a reference: choose another input for it first.');
      reference = next;
      microphones = microphones.filter((m) => m !== next);
      if (role === 'microphone' && !microphones.includes(channel)) microphones = [...microphones, channel];
    }
    this.change({ reference, microphones: microphones.sort((a, b) => a - b) });
  }

  /** @param {number} channel @param {string} name */
  name(channel, name) {
    const names = [...(this.setup?.source?.names ?? [])];
    while (names.length < channel) names.push('');
    names[channel - 1] = name;
    this.change({ names });
  }

  leave() {
    return this.#do('Letting the device go …', ask('POST', '/api/v1/setup/leave'));
  }

  look() {
    this.#looked = performance.now();
    return this.#do('Looking for devices …', ask('POST', '/api/v1/setup/devices'));
  }

  loopback() {
    return this.#do('Playing and listening …', ask('POST', '/api/v1/setup/loopback'));
  }

  /** @param {SourceChoice} choice */
  #choose(choice) {
    return this.#do('Changing the source …', ask('POST', '/api/v1/setup/source', choice));
  }

  /** @param {string} busy @param {Promise<Setup>} request */
  async #do(busy, request) {
    this.busy = busy;
    this.#changed();
    const setup = await this.#notices.guard(request);
    this.busy = '';
    if (setup) this.setup = setup;
    this.#changed();
  }

  async #ask() {
    if (this.#asking || this.#closed || document.hidden) return;
    // A device that is connected shows by itself, as long as that disturbs no other.
    const setup = this.setup;
    if (setup && !setup.source && setup.changeable && !this.busy && performance.now() - this.#looked > LOOK_MS) {
      this.#looked = performance.now();
      this.#asking = true;
      this.setup = await ask('POST', '/api/v1/setup/devices').catch(() => setup);
    } else {
      this.#asking = true;
      const answer = await ask('GET', '/api/v1/setup').catch(() => null); // that it does not answer, the page says anyway
      if (answer && !(this.busy && answer.state === 'ready')) this.setup = answer;
      else if (answer && this.setup) this.setup = { ...this.setup, inputs: answer.inputs };
    }
    this.#asking = false;
    if (!this.#closed) this.#changed();
  }
}
