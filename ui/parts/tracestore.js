// @ts-check
// The stored traces and targets of the open show as this page knows them: read again whenever the daemon says that the
// show changed. What is changed here is seen here at once, and everywhere else when the show has it.

import { ask } from '../core/api.js';
import { onGrid } from '../core/overlay.js';

/** @typedef {import('../core/types.js').StoredTrace} StoredTrace */
/** @typedef {import('../core/types.js').TraceCurve} TraceCurve */
/** @typedef {import('../core/types.js').Target} Target */
/** @typedef {import('../core/overlay.js').Response} Response */

const TRACES = '/api/v1/show/traces';
const TARGETS = '/api/v1/show/targets';

export class TraceStore {
  /** By number. @type {StoredTrace[]} */
  traces = [];
  /** @type {Target[]} */
  targets = [];
  /** @type {() => void} */
  onChange = () => {};
  #session;
  #notices;
  /** null: on the way @type {Map<number, TraceCurve|null>} */
  #curves = new Map();
  /** On the grid that was asked for last. @type {Map<number, {grid: readonly number[], response: Response}>} */
  #responses = new Map();
  #read = '';
  #reading = false;
  #again = false;
  #closed = false;
  #off;

  /** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#notices = notices;
    this.#off = session.on('show', () => void this.#refresh());
    void this.#refresh();
  }

  close() {
    this.#closed = true;
    this.#off();
  }

  /** @param {number} id */
  trace(id) {
    return this.traces.find((t) => t.id === id) ?? null;
  }

  /** @param {number} number */
  numbered(number) {
    return this.traces.find((t) => t.number === number) ?? null;
  }

  /** Those that are shown and have come. */
  get shown() {
    return this.traces.filter((t) => t.shown && this.#curves.get(t.id));
  }

  /** The target in use. */
  get target() {
    return [...this.targets].reverse().find((t) => t.shown) ?? null;
  }

  /** A trace as it was stored, on a grid. @param {number} id @param {readonly number[]} grid @returns {Response|null} null: not here yet */
  response(id, grid) {
    const curve = this.#curves.get(id);
    if (!curve) return null;
    const kept = this.#responses.get(id);
    if (kept?.grid === grid) return kept.response;
    const response = onGrid(curve, grid);
    this.#responses.set(id, { grid, response });
    return response;
  }

  /** @param {number} id */
  curve(id) {
    return this.#curves.get(id) ?? null;
  }

  /** What the microphone in front shows now. @param {number} microphone */
  store(microphone) {
    return this.#notices.guard(ask('POST', TRACES, { microphone }));
  }

  /** @param {StoredTrace} trace @param {{name?: string, shown?: boolean}} patch */
  async change(trace, patch) {
    const before = { ...trace };
    Object.assign(trace, patch);
    this.onChange();
    if (await this.#notices.guard(ask('PATCH', `${TRACES}/${trace.id}`, patch))) return;
    Object.assign(trace, before); // refused: what it was
    this.onChange();
  }

  /** @param {StoredTrace} trace */
  remove(trace) {
    return this.#remove(`${TRACES}/${trace.id}`, `Trace ${trace.number}, ${trace.name},`);
  }

  /** @param {string} name @param {Blob} text */
  importTrace(name, text) {
    return this.#notices.guard(ask('POST', `${TRACES}/import?name=${encodeURIComponent(name)}`, text));
  }

  /** @param {string} name @param {Blob} text @returns {Promise<Target|undefined>} */
  async importTarget(name, text) {
    const target = await this.#notices.guard(ask('POST', `${TARGETS}/import?name=${encodeURIComponent(name)}`, text));
    if (target) this.#onlyOne(target.id);
    return target;
  }

  /** @param {Partial<Target>} target @returns {Promise<Target|undefined>} */
  async addTarget(target) {
    const added = await this.#notices.guard(ask('POST', TARGETS, { name: 'Target', shown: true, ...target }));
    if (added) this.#onlyOne(added.id);
    return added;
  }

  /** @param {Target} target @param {Partial<Target>} patch */
  async changeTarget(target, patch) {
    const before = { ...target };
    Object.assign(target, patch);
    this.onChange();
    if (patch.shown) this.#onlyOne(target.id);
    if (await this.#notices.guard(ask('PATCH', `${TARGETS}/${target.id}`, patch))) return;
    Object.assign(target, before);
    this.onChange();
  }

  /** @param {Target} target */
  removeTarget(target) {
    return this.#remove(`${TARGETS}/${target.id}`, `Target ${target.name}`);
  }

  /** Two targets at once would be two truths. @param {number} id */
  #onlyOne(id) {
    for (const other of this.targets) if (other.id !== id && other.shown) void this.changeTarget(other, { shown: false });
  }

  /** Nothing asks: it can be taken back. @param {string} path @param {string} name */
  async #remove(path, name) {
    const answer = await this.#notices.guard(ask('DELETE', path));
    if (answer) this.#notices.say(`${name} is deleted.`, { label: 'Undo', run: () => void this.#notices.guard(ask('POST', '/api/v1/show/undo', { undo: answer.undo })) });
  }

  async #refresh() {
    const { show } = this.#session;
    const key = show ? `${show.file}/${show.revision}` : '';
    if (key === this.#read) return;
    if (this.#reading) {
      this.#again = true;
      return;
    }
    this.#reading = true;
    if (this.#read.split('/')[0] !== key.split('/')[0]) this.#curves.clear(); // another show has other numbers
    const lists = show ? await this.#notices.guard(Promise.all([ask('GET', TRACES), ask('GET', TARGETS)])) : [{ traces: [] }, { targets: [] }];
    this.#reading = false;
    if (this.#closed) return;
    if (lists) {
      this.#read = key;
      this.traces = lists[0].traces.sort((/** @type {StoredTrace} */ a, /** @type {StoredTrace} */ b) => a.number - b.number);
      this.targets = lists[1].targets;
      for (const t of this.traces) void this.#fetch(t.id);
      this.onChange();
    }
    if (!this.#again) return;
    this.#again = false;
    void this.#refresh();
  }

  /** A curve never changes. @param {number} id */
  async #fetch(id) {
    if (this.#curves.has(id)) return;
    const curves = this.#curves;
    curves.set(id, null);
    const curve = await this.#notices.guard(ask('GET', `${TRACES}/${id}/curve`));
    if (curve) curves.set(id, curve);
    else curves.delete(id);
    this.#responses.delete(id);
    if (!this.#closed) this.onChange();
  }
}
