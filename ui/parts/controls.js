// @ts-check
// What is set on the measurement, the same for all who look: averaging, smoothing, window, hold, start anew.

import { changeSettings, reset } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/types.js').Settings} Settings */
/** @typedef {import('../core/types.js').Averaging} Averaging */

const SECONDS = [0.5, 1, 2, 4, 8, 16, 30];
const SMOOTHING = [48, 24, 12, 6, 3, 2, 1];
const WINDOWS = [1024, 2048, 4096, 8192, 16384, 32768, 65536];

/** @param {Averaging} a */
const averagingKey = (a) => (a.mode === 'time' ? `time:${a.seconds}` : a.mode === 'count' ? `count:${a.count}` : a.mode);
/** @param {Averaging} a */
const averagingName = (a) => (a.mode === 'time' ? `${a.seconds} s` : a.mode === 'count' ? `${a.count} averages` : a.mode === 'until' ? 'until sure' : 'all since start');

export class Controls {
  #session;
  #notices;
  #averaging;
  #smoothing;
  #window;
  #hold = el('button', { type: 'button', class: 'hold', text: 'Hold', 'aria-pressed': 'false', 'data-testid': 'hold', operates: 'hide', onclick: () => this.toggleHold() });
  #anew = el('button', { type: 'button', text: 'Reset', 'data-testid': 'reset', operates: 'hide', onclick: () => this.startAnew() });
  #progress = el('span', { class: 'progress', role: 'status' });
  #off;
  node;

  /** @param {Session} session @param {import('./notice.js').Notices} notices */
  constructor(session, notices) {
    this.#session = session;
    this.#notices = notices;
    this.#averaging = choice('average', 'averaging', (value) => this.#average(value));
    this.#smoothing = choice('smooth', 'smoothing', (value) => this.#change({ smoothing: Number(value) }));
    this.#window = choice('window', 'window', (value) => this.#change({ window: value === 'multi' ? 'multi' : Number(value) }), 'window');
    this.node = el('div', { class: 'controls' }, this.#averaging.node, this.#progress, this.#smoothing.node, this.#window.node, this.#hold, this.#anew);
    this.#off = session.on('state', () => this.#show());
    this.#show();
  }

  close() {
    this.#off();
  }

  toggleHold() {
    this.#change({ hold: !this.#session.state?.settings.hold });
  }

  startAnew() {
    void this.#notices.guard(reset());
  }

  /** Next longer or shorter. @param {-1|1} step */
  stepAveraging(step) {
    const now = this.#session.state?.settings.averaging.seconds ?? 2;
    const next = step > 0 ? SECONDS.find((s) => s > now) : [...SECONDS].reverse().find((s) => s < now);
    if (next) this.#average(`time:${next}`);
  }

  /** Smoother or finer. @param {-1|1} step */
  stepSmoothing(step) {
    const now = this.#session.state?.settings.smoothing ?? 48;
    const next = step > 0 ? SMOOTHING.find((n) => n < now) : [...SMOOTHING].reverse().find((n) => n > now);
    if (next) this.#change({ smoothing: next });
  }

  #show() {
    const state = this.#session.state;
    if (!state) return;
    const { averaging, smoothing, window, hold } = state.settings;
    const rate = state.source.rate_hz;
    this.#averaging.show(averagingKey(averaging), [
      ...SECONDS.map((s) => [`time:${s}`, `${s} s`]), ['infinite', 'all since start'],
      ['until', `until within ±${averaging.within_db ?? 1} dB`], [averagingKey(averaging), averagingName(averaging)],
    ]);
    this.#smoothing.show(String(smoothing), [...SMOOTHING.map((n) => [String(n), `1/${n} oct`]), [String(smoothing), `1/${smoothing} oct`]]);
    this.#window.show(String(window), [['multi', 'multi'], ...WINDOWS.map((n) => [String(n), `${fixed((n / rate) * 1000, 0)} ms`]), [String(window), `${window} samples`]]);
    this.#hold.setAttribute('aria-pressed', String(hold));
    say(this.#hold, hold ? 'Held' : 'Hold');
    const p = state.progress;
    say(this.#progress, !p ? '' : p.done ? `sure: ±${fixed(p.width_db, 1)} dB` : `±${fixed(p.width_db, 1)} dB, ${p.left_s === null ? 'time unknown' : `about ${fixed(p.left_s, 0)} s left`}`);
  }

  /** @param {string} value */
  #average(value) {
    const [mode, n] = value.split(':');
    this.#change({ averaging: mode === 'time' ? { mode, seconds: Number(n) } : mode === 'count' ? { mode, count: Number(n) } : { mode } });
  }

  /** @param {object} patch */
  #change(patch) {
    void this.#notices.guard(changeSettings(patch)).then((answer) => {
      if (!answer) this.#show(); // refused: what it was
    });
  }
}

/** A word and the value that can be chosen. @param {string} label @param {string} id @param {(value: string) => void} choose @param {...import('./glossary.js').Term} terms that the word is: to be tapped for themselves, so outside of a label */
function choice(label, id, choose, ...terms) {
  const select = el('select', { 'aria-label': terms.length ? label : null, 'data-testid': id, operates: 'still', onchange: () => choose(select.value) });
  let listed = '';
  return {
    node: el(terms.length ? 'span' : 'label', { class: 'choice' }, explain(el('span'), label, ...terms), select),
    /** @param {string} value @param {string[][]} options later ones of the same value are dropped */
    show(value, options) {
      const unique = options.filter(([v], k) => options.findIndex(([w]) => w === v) === k);
      const key = JSON.stringify(unique);
      if (key !== listed) {
        listed = key;
        select.replaceChildren(...unique.map(([v, text]) => el('option', { value: v, text })));
      }
      select.value = value;
    },
  };
}
