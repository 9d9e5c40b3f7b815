// @ts-check
// What is read of the level log: as many points as the screen has, further ones as the view moves, and the newest
// as time goes on.

import { ask } from '../core/api.js';
import { LevelColumns, MOST_COLUMNS } from '../draw/levelcolumns.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/types.js').LevelMark} LevelMark */
/** @typedef {import('../core/types.js').LevelHistory} LevelHistory */

const STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 180, 300, 600, 900, 1800, 3600];
const FINEST_S = 7200; // the daemon answers longer times by minutes
const TAIL_S = 8; // at the end columns may not be whole yet
const PATIENCE_MS = 3000; // before a refusal is tried again
const KEPT = 8;

/** Seconds a column for a view of this width. @param {number} spanS @param {number} pixels CSS */
export function stepFor(spanS, pixels) {
  const step = STEPS_S.find((s) => spanS / s <= Math.max(120, pixels / 1.2)) ?? STEPS_S[STEPS_S.length - 1];
  return spanS > FINEST_S ? Math.max(60, step) : step;
}

export class LevelLog {
  #session;
  #onChange;
  /** By microphone and step, the one used last at the end. @type {Map<string, LevelColumns>} */
  #layers = new Map();
  /** @type {Map<string, LevelMark>} */
  #marks = new Map();
  #busy = false;
  #refusedAt = -Infinity;
  #closed = false;
  #show = '';
  /** Why nothing can be read; empty if it can. */
  trouble = '';
  /** Answers so far, for those who measure. */
  answers = 0;
  #off;

  /** @param {Session} session @param {() => void} onChange */
  constructor(session, onChange) {
    this.#session = session;
    this.#onChange = onChange;
    this.#off = session.on('show', (show) => {
      const file = show?.file ?? '';
      if (file === this.#show) return;
      this.#show = file; // another show has another log
      this.#layers.clear();
      this.#marks.clear();
      this.#refusedAt = -Infinity;
      onChange();
    });
  }

  close() {
    this.#closed = true;
    this.#off();
  }

  /** By the daemon's clock. */
  get now() {
    const time = this.#session.levels?.time;
    return time ? Date.parse(time) / 1000 : Date.now() / 1000;
  }

  /** Oldest first. */
  get marks() {
    return [...this.#marks.values()].sort((a, b) => a.unix_s - b.unix_s);
  }

  /** @param {number} microphone @param {number} step */
  layer(microphone, step) {
    const key = `${microphone}/${step}`;
    const layer = this.#layers.get(key) ?? new LevelColumns(microphone, step);
    this.#layers.delete(key);
    this.#layers.set(key, layer);
    if (this.#layers.size > KEPT) this.#layers.delete(/** @type {string} */ (this.#layers.keys().next().value));
    return layer;
  }

  /** A coarser or finer layer to look at until this one has come. @param {LevelColumns} wanted @param {number} from @param {number} to seconds */
  standIn(wanted, from, to) {
    let best = wanted;
    let most = known(wanted, from, to);
    for (const layer of this.#layers.values()) {
      if (layer.microphone !== wanted.microphone || (to - from) / layer.step > MOST_COLUMNS / 2) continue;
      const part = known(layer, from, to);
      if (part > most + 0.3) [best, most] = [layer, part];
    }
    return best;
  }

  /**
   * Sees to it that a time is there.
   * @param {{microphone: number, step: number, bands: boolean}[]} wanted
   * @param {number} from @param {number} to seconds since 1970
   */
  want(wanted, from, to) {
    if (!this.#session.show) return; // nothing is kept without
    if (this.#busy || performance.now() - this.#refusedAt < PATIENCE_MS) return;
    const { now } = this;
    for (const { microphone, step, bands } of wanted) {
      const layer = this.layer(microphone, step);
      const last = layer.at(Math.min(to, now));
      const first = Math.max(layer.at(from), last - MOST_COLUMNS + 64);
      let gap = layer.missing(first, Math.min(last, layer.whole));
      if (!gap && last > layer.whole && performance.now() - layer.readAt > 950 * Math.min(10, Math.max(1, step / 3))) {
        gap = [Math.max(first, layer.whole + 1), last];
        layer.readAt = performance.now();
      }
      if (!gap) continue;
      // Longer times than that have other columns.
      const [a, b] = gap;
      void this.#read(layer, step < 60 ? Math.max(a, b + 1 - Math.floor(FINEST_S / step)) : a, b, bands);
      return;
    }
  }

  /** @param {LevelColumns} layer @param {number} from @param {number} to columns @param {boolean} bands */
  async #read(layer, from, to, bands) {
    const { step, microphone } = layer;
    this.#busy = true;
    try {
      const points = to - from + 1;
      const path = `/api/v1/levels/history?from=${from * step}&to=${(to + 1) * step}&points=${points}&microphone=${microphone}${bands ? '&bands=1' : ''}`;
      /** @type {LevelHistory} */
      const history = await ask('GET', path);
      if (history.step_s !== step) throw new Error(`The daemon answered in steps of ${history.step_s} s, not ${step} s.`);
      layer.take(history, history.microphones.find((m) => m.microphone === microphone));
      layer.whole = Math.max(layer.whole, Math.min(to, layer.at(this.now - TAIL_S) - 1));
      for (const mark of history.marks) this.#marks.set(`${mark.unix_s}/${mark.kind}/${mark.microphone}`, mark);
      this.trouble = '';
      this.answers++;
    } catch (error) {
      this.trouble = error instanceof Error ? error.message : String(error);
      this.#refusedAt = performance.now();
    }
    this.#busy = false;
    if (!this.#closed) this.#onChange();
  }
}

/** How much of a time a layer knows, 0…1. @param {LevelColumns} layer @param {number} from @param {number} to */
function known(layer, from, to) {
  const a = layer.at(from);
  const b = layer.at(to);
  let n = 0;
  for (let column = a; column <= b; column++) if (layer.slot(column) >= 0) n++;
  return n / (b - a + 1);
}
