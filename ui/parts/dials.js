// @ts-check
// What to dial in, to be read from two metres; the setting by hand; and the way from a plan to its proof.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { running } from '../core/session.js';
import { settingOf } from '../core/phasor.js';
import { Field } from './field.js';
import { explain } from './glossary.js';

/** @typedef {import('../core/types.js').Align} Align */
/** @typedef {import('../core/types.js').Dial} Dial */
/** @typedef {import('../core/phasor.js').Setting} Setting */

/** @typedef {{name: string, known: boolean, from: Dial, to: Dial}} Change */

/** @type {Dial} */
const UNTOUCHED = { delay_ms: 0, polarity: 'same', gain_db: 0 };

/**
 * What a setting means for each loudspeaker: all on the fill, unless it would have to come earlier than its own
 * delay allows; then the main waits.
 * @param {Align} answer @param {Setting} setting @returns {Change[]}
 */
export function changes(answer, setting) {
  const fill = answer.settings.find((s) => s.loudspeaker === answer.fill);
  const main = answer.settings.find((s) => s.loudspeaker === answer.main);
  const from = fill?.from ?? UNTOUCHED;
  const other = from.polarity === 'same' ? 'opposite' : 'same';
  const delay = from.delay_ms + setting.delayMs;
  /** @type {Change[]} */
  const out = [{
    name: answer.fill, known: fill?.known ?? false, from,
    to: { delay_ms: Math.max(0, delay), polarity: setting.sign < 0 ? other : from.polarity, gain_db: from.gain_db + setting.gainDB },
  }];
  if (delay < -5e-4) {
    const was = main?.from ?? UNTOUCHED;
    out.push({ name: answer.main, known: main?.known ?? false, from: was, to: { ...was, delay_ms: was.delay_ms - delay } });
  }
  return out;
}

export class Dials {
  #model;
  #session;
  #notices;
  #delay;
  #gain;
  #gainChoice;
  #flip = el('button', { type: 'button', 'data-testid': 'hand-polarity', onclick: () => this.#model.set({ sign: this.#model.setting.sign < 0 ? 1 : -1 }) });
  #fill = el('h2');
  #was = el('p', { class: 'also' });
  #way = el('strong');
  #wasWay = el('span');
  #comma = el('span', { class: 'hidden' });
  #polarity = el('p', { class: 'polarity', 'data-testid': 'dial-polarity' }, el('span', { class: 'hidden', text: 'Polarity ' }), this.#way, this.#comma, this.#wasWay);
  #waitMs = el('strong', { class: 'big' });
  #waitWhat = el('span', { class: 'also' });
  #wait = el('div', { class: 'waits', 'data-testid': 'dial-main' }, this.#waitMs, this.#waitWhat);
  #yield = el('p', { class: 'also', 'data-testid': 'dial-efficiency' });
  #back = el('button', { type: 'button', text: 'Back to the plan', 'data-testid': 'back-to-plan', onclick: () => this.#model.backToPlan() });
  #second = el('button', { type: 'button', text: 'Runner-up', 'data-testid': 'runner-up', onclick: () => this.#runnerUp() });
  #keep = el('button', { type: 'button', text: 'Keep', 'data-testid': 'keep-plan', operates: 'hide', onclick: () => void this.#store() });
  #dial = el('button', { type: 'button', text: 'Dial in', 'data-testid': 'dial-in', operates: 'hide', onclick: () => void this.#dialIn() });
  #steps = el('p', { class: 'also' });
  #nothing = explain(el('p', { class: 'remark' }), 'What to dial in stands here as soon as one seat has a take of each loudspeaker alone.', 'take');
  #body;
  node;

  /**
   * @param {import('./alignmodel.js').AlignModel} model @param {import('../core/session.js').Session} session
   * @param {import('./notice.js').Notices} notices
   */
  constructor(model, session, notices) {
    this.#model = model;
    this.#session = session;
    this.#notices = notices;
    this.#delay = new Field({ label: 'Delay to dial in, milliseconds', unit: 'ms', step: 0.01, least: -1000, most: 1000, digits: 2, testid: 'dial-delay', commit: (v) => this.#setDelay(v) });
    this.#gain = new Field({ label: 'Gain of the fill against today', unit: 'dB', step: 0.5, least: -24, most: 24, digits: 1, testid: 'hand-gain', commit: (v) => model.set({ gainDB: v }) });
    this.#gainChoice = el('span', { class: 'choice gain' }, el('span', { text: 'gain' }), this.#gain.node);
    this.#body = el('div', { class: 'dial-body' },
      el('div', { class: 'dial k1' }, this.#fill, el('div', { class: 'values' }, el('div', {}, el('div', { class: 'big' }, this.#delay.node), this.#was), this.#polarity), el('p', { class: 'hands' }, this.#flip, this.#gainChoice)),
      this.#wait, this.#yield, el('p', { class: 'hands' }, this.#keep, this.#dial, this.#back, this.#second), this.#steps);
    this.node = el('section', { class: 'dials numbers', 'aria-label': 'To dial in' }, this.#nothing, this.#body);
  }

  show() {
    const { answer } = this.#model;
    const known = !!answer?.plan;
    this.#nothing.hidden = known;
    this.#body.hidden = !known;
    if (!answer || !known) return;
    this.follow();
  }

  /** Only what is under the hand. */
  follow() {
    const { answer, setting, nowAim, moved } = this.#model;
    if (!answer?.plan) return;
    this.#showWays();
    const [fill, main] = changes(answer, setting);
    const metres = (/** @type {number} */ ms) => `${fixed((ms / 1000) * this.#session.speedOfSound, 2)} m`;
    explain(this.#fill, fill.known ? `${fill.name}: delay and polarity` : `${fill.name}: more delay, and polarity`, 'polarity');
    const shown = fill.to.delay_ms - (fill.known ? 0 : fill.from.delay_ms);
    this.#delay.show(shown);
    this.#delay.node.classList.toggle('long', shown >= 10 || shown < 0);
    say(this.#was, fill.known ? `${metres(fill.to.delay_ms)}, was ${fixed(fill.from.delay_ms, 2)} ms` : metres(shown));
    const turned = fill.from.polarity !== fill.to.polarity;
    say(this.#way, fill.known ? fill.to.polarity : turned ? 'inverted' : 'unchanged');
    say(this.#comma, fill.known && turned ? ', ' : '');
    say(this.#wasWay, fill.known && turned ? `was ${fill.from.polarity}` : '');
    this.#polarity.dataset.turned = String(turned);
    say(this.#flip, setting.sign < 0 ? 'Inverted' : 'Unchanged');
    this.#flip.setAttribute('aria-pressed', String(setting.sign < 0));
    this.#gain.show(setting.gainDB);
    this.#gainChoice.dataset.set = String(Math.abs(setting.gainDB) >= 0.05);
    this.#wait.hidden = !main;
    if (main) {
      const ms = main.known ? main.to.delay_ms : main.to.delay_ms - main.from.delay_ms;
      say(this.#waitMs, `${fixed(ms, 2)} ms`);
      say(this.#waitWhat, `${main.name}: ${main.known ? `delay, was ${fixed(main.from.delay_ms, 2)} ms` : 'more delay'}, ${metres(ms)}`);
    }
    const { low_db: low, high_db: high, delay_sd_ms: sd } = answer.plan;
    const half = moved || low === null || high === null ? NaN : (high - low) / 2;
    const within = half >= 0.1 ? ` ±${fixed(half, 1)}` : ''; // what is less shows in no digit
    this.#yield.title = moved || sd === null ? '' : `Known within ±${fixed(half, 2)} dB (95 %). The delay is known within ±${fixed(2 * sd, 2 * sd < 0.01 ? 3 : 2)} ms.`;
    explain(this.#yield, `Efficiency now ${signed(answer.efficiency_db.today, 1)} dB, planned ${signed(nowAim, 1)}${within}; ±${fixed(answer.flatness_ms, 2)} ms costs 0.5 dB.`, 'plan');
    this.#back.hidden = !moved;
    this.#second.hidden = !answer.runner_up || moved;
  }

  /** From a setting to a plan that is dialled in. */
  #showWays() {
    const { survey } = this.#session;
    const on = running(survey);
    this.#keep.disabled = on || this.#model.isStored;
    say(this.#keep, this.#model.isStored ? 'Kept' : 'Keep as plan');
    const { rig } = this.#session;
    const dialled = this.#model.isStored && this.#model.dialled(rig);
    this.#dial.disabled = on || dialled;
    say(this.#dial, dialled ? 'Dialled in' : rig ? 'Dial into the rig' : 'I have dialled it in');
    say(this.#steps, rig || dialled ? '' : 'Dial these numbers in at your processor and say so; then verify.');
  }

  /** @param {number} ms as it is shown */
  #setDelay(ms) {
    const { answer, setting } = this.#model;
    if (!answer) return;
    const [fill] = changes(answer, setting);
    this.#model.set({ delayMs: fill.known ? ms - fill.from.delay_ms : ms });
  }

  #runnerUp() {
    const { answer } = this.#model;
    if (answer?.runner_up) this.#model.set(settingOf(answer.runner_up));
  }

  async #store() {
    const { answer, setting, moved, aim, gain, band, spreadCM } = this.#model;
    if (!answer) return null;
    const wait = setting.delayMs < 0 ? 'A' : 'B';
    return this.#notices.guard(ask('POST', '/api/v1/align/plan', {
      main: answer.main, fill: answer.fill, aim, gain, spread_m: spreadCM / 100, ...(band ? { low_hz: band[0], high_hz: band[1] } : {}),
      ...(moved ? { plan: { wait, delay_ms: Math.abs(setting.delayMs), polarity_b: setting.sign < 0 ? 'opposite' : 'same', gain_b_db: setting.gainDB } } : {}),
    }));
  }

  async #dialIn() {
    const plan = this.#model.isStored ? this.#model.stored : await this.#store();
    if (plan) await this.#notices.guard(ask('POST', '/api/v1/align/dial', { plan: plan.id, ...(this.#session.rig ? {} : { by_hand: true }) }));
  }
}
