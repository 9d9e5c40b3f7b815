// @ts-check
// The virtual rig as this page sees it: what the daemon said, and on top of it what has been changed here and
// not come back yet. Changes go out at most ten times a second, the newest of each value wins.

import { changeRig } from '../core/api.js';
import { viewing } from '../core/role.js';

/** @typedef {import('../core/types.js').Rig} Rig */
/** @typedef {import('../core/types.js').Loudspeaker} Loudspeaker */
/** @typedef {import('../core/types.js').Microphone} Microphone */
/** @typedef {{temperature_c?: number, loudspeakers?: Record<string, Partial<Loudspeaker>>, microphones?: Record<string, Partial<Microphone>>}} Patch */

const EVERY_MS = 100;
const UNDO_DEPTH = 100;

export class RigModel {
  #session;
  #notices;
  /** @type {Patch|null} not sent yet */
  #waiting = null;
  /** @type {Patch|null} sent, not answered yet */
  #sent = null;
  #timer = 0;
  #last = 0;
  /** @type {{name: string, back: Patch}[]} */
  #undo = [];
  #gesture = '';
  /** @type {Rig|null} */
  scene = null;
  /** @type {() => void} */
  onChange = () => {};
  #off;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#notices = notices;
    this.#off = session.on('rig', () => this.#merge());
    this.#merge();
  }

  close() {
    this.#off();
    clearTimeout(this.#timer);
    if (this.#waiting) void this.#send();
  }

  get canUndo() {
    return this.#undo.length > 0;
  }

  /**
   * @param {string} name what is changed, for people
   * @param {Patch} patch
   * @param {string} [gesture] changes of one gesture are undone as one
   */
  change(name, patch, gesture = '') {
    if (!this.scene || viewing()) return;
    if (!gesture || gesture !== this.#gesture) {
      this.#undo.push({ name, back: inverse(this.scene, patch) });
      if (this.#undo.length > UNDO_DEPTH) this.#undo.shift();
    }
    this.#gesture = gesture;
    this.#apply(patch);
  }

  undo() {
    const step = this.#undo.pop();
    this.#gesture = '';
    if (!step) return;
    this.#apply(step.back);
    this.#notices.say(`Undone: ${step.name}`);
  }

  /** @param {Patch} patch */
  #apply(patch) {
    this.#waiting = join(this.#waiting ?? {}, patch);
    this.#merge();
    if (this.#sent || this.#timer) return;
    this.#timer = window.setTimeout(() => void this.#send(), Math.max(0, this.#last + EVERY_MS - performance.now()));
  }

  async #send() {
    this.#timer = 0;
    this.#sent = this.#waiting;
    this.#waiting = null;
    if (!this.#sent) return;
    this.#last = performance.now();
    const answer = await this.#notices.guard(changeRig(this.#sent));
    this.#sent = null;
    if (answer?.loudspeakers) this.#session.rig = answer;
    this.#merge();
    if (this.#waiting) this.#timer = window.setTimeout(() => void this.#send(), Math.max(0, this.#last + EVERY_MS - performance.now()));
  }

  #merge() {
    const { rig } = this.#session;
    this.scene = rig && laid(laid(rig, this.#sent), this.#waiting);
    this.onChange();
  }
}

/** A scene with a patch laid over it. @param {Rig} rig @param {Patch|null} patch @returns {Rig} */
export function laid(rig, patch) {
  if (!patch) return rig;
  return {
    ...rig, temperature_c: patch.temperature_c ?? rig.temperature_c,
    loudspeakers: rig.loudspeakers.map((l) => ({ ...l, ...patch.loudspeakers?.[l.name] })),
    microphones: rig.microphones.map((m) => ({ ...m, ...patch.microphones?.[m.name] })),
  };
}

/** @param {Patch} a @param {Patch} b what b says counts @returns {Patch} */
function join(a, b) {
  /** @type {Patch} */
  const out = { ...a, ...b };
  for (const kind of /** @type {const} */ (['loudspeakers', 'microphones'])) {
    if (!a[kind] || !b[kind]) continue;
    /** @type {Record<string, object>} */
    const all = { ...a[kind] };
    for (const [name, values] of Object.entries(b[kind])) all[name] = { ...all[name], ...values };
    out[kind] = /** @type {any} */ (all);
  }
  return out;
}

/** What takes a patch back. @param {Rig} rig @param {Patch} patch @returns {Patch} */
function inverse(rig, patch) {
  /** @type {Patch} */
  const back = {};
  if (patch.temperature_c !== undefined) back.temperature_c = rig.temperature_c;
  for (const kind of /** @type {const} */ (['loudspeakers', 'microphones'])) {
    if (!patch[kind]) continue;
    /** @type {Record<string, object>} */
    const all = {};
    for (const [name, values] of Object.entries(patch[kind])) {
      const now = /** @type {any} */ ([...rig[kind]].find((u) => u.name === name));
      if (now) all[name] = Object.fromEntries(Object.keys(values).map((key) => [key, now[key]]));
    }
    back[kind] = /** @type {any} */ (all);
  }
  return back;
}

/** Metres between two places. @param {readonly number[]} a @param {readonly number[]} b */
export function distance(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
}

/** When a loudspeaker's direct sound reaches a place: path over speed, plus what it is delayed by. @param {Loudspeaker} l @param {readonly number[]} at @param {number} speed m/s @returns {number} ms */
export function arrivalMs(l, at, speed) {
  return (distance(l.position_m, at) / speed) * 1000 + l.delay_ms;
}
