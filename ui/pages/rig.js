// @ts-check
// Rig: the virtual room from above, and next to it what the microphone makes of it.

import { el, say } from '../core/dom.js';
import { speedOfSound } from '../core/air.js';
import { fixed, frequency, signed } from '../core/format.js';
import { CURVE } from '../core/frames.js';
import { bind } from '../core/keys.js';
import { nearest } from '../parts/chart.js';
import { Chooser } from '../parts/chooser.js';
import { Impulse } from '../parts/impulse.js';
import { Painter } from '../parts/painter.js';
import { Plan } from '../parts/plan.js';
import { interval } from '../parts/reading.js';
import { RigModel } from '../parts/rigmodel.js';
import { RigNumbers } from '../parts/rignumbers.js';
import { openSheet } from '../parts/sheet.js';
import { Spectrum } from '../parts/spectrum.js';
import { tables, take } from '../parts/take.js';
import { VerdictLine } from '../parts/verdict.js';

export class RigPage {
  #session;
  #view;
  #model;
  #plan;
  #numbers;
  #parts;
  #painter;
  #spectrum;
  #impulse;
  #who = el('span', { class: 'label' });
  #heard = el('p', { class: 'heard-now', 'data-testid': 'heard' });
  #atLine = el('p', { class: 'at-line', 'data-testid': 'at-line' });
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    this.#session = session;
    this.#view = view;
    const redraw = () => this.#painter.request();
    const from = () => ({ session, view, spectrum: this.#spectrum, impulse: this.#impulse });
    const table = () => openSheet('The numbers', tables(from()));
    const verdict = new VerdictLine(session, view);
    const chooser = new Chooser(session, view);
    this.#model = new RigModel(session, shell.notices);
    this.#plan = new Plan({
      move: (kind, name, position, gesture) => this.#model.change(`${name} moved`, { [kind]: { [name]: { position_m: position } } }, gesture),
      choose: (name) => this.#choose(name),
      speed: () => this.#speed(),
    });
    this.#numbers = new RigNumbers(this.#model);
    this.#spectrum = new Spectrum(session, view, { redraw, table, compact: true, save: (plot, kind) => take(from(), plot, kind) });
    this.#impulse = new Impulse(session, view, { redraw, table, save: (kind) => take(from(), 'impulse', kind) });
    this.#spectrum.magnitudePanel.tools.append(this.#atLine);
    this.#parts = [verdict, chooser, this.#plan, this.#spectrum, this.#impulse, this.#model];
    this.node = el('div', { class: 'page rig' }, verdict.node, this.#plan.node,
      el('div', { class: 'evidence' }, el('div', { class: 'now' }, el('div', {}, this.#who, this.#heard), chooser.node), this.#spectrum.node, this.#impulse.node), this.#numbers.node);

    this.#model.onChange = () => this.#showRig();
    this.#painter = new Painter(session, view, () => {
      this.#spectrum.draw();
      this.#impulse.draw();
      this.#hear();
    });
    const stale = () => this.node.classList.toggle('stale', session.status.stale || !session.status.open);
    const want = () => session.want({ frames_per_second: 20, microphones: view.all ? [] : [view.front(this.#known())].filter(Boolean) });
    this.#off = [
      session.on('status', stale), session.on('state', want), session.on('state', redraw),
      view.onChange(() => this.#showRig()), view.onChange(want),
      bind([
        { key: 'Control+z u', operates: true, says: 'Undo the last change of the rig', run: () => this.#model.undo() },
        { key: 'm M', says: 'Next microphone; with Shift the one before', run: (/** @type {KeyboardEvent} */ e) => chooser.step(e.key === 'm' ? 1 : -1) },
        { key: 'ArrowLeft ArrowRight ArrowUp ArrowDown', operates: true, says: 'Move what is chosen on the plan by 0.1 m; with Shift by 1 m', run: () => {} },
      ]),
    ];
    stale();
    want();
    this.#showRig();
    redraw();
  }

  close() {
    for (const off of this.#off) off();
    this.#painter.close();
    for (const part of this.#parts) part.close();
  }

  plots() {
    return { ...this.#spectrum.plots, impulse: this.#impulse.plot };
  }

  #known() {
    return this.#session.state?.settings.microphones ?? [];
  }

  /** Sound in the room as it is on this page, before the daemon has answered. */
  #speed() {
    return speedOfSound(this.#model.scene?.temperature_c ?? 20);
  }

  /** @param {string} name of a microphone */
  #choose(name) {
    const channel = (this.#session.state?.source.channels.indexOf(name) ?? -1) + 1;
    if (channel && this.#known().includes(channel)) this.#view.setPrimary(channel);
  }

  #showRig() {
    const { scene } = this.#model;
    if (!scene) return;
    const front = this.#session.channelName(this.#view.front(this.#known()));
    const ear = (scene.microphones.find((m) => m.name === front) ?? scene.microphones[0])?.position_m;
    this.#plan.show(scene, front);
    this.#numbers.show(scene, ear, this.#speed());
  }

  #hear() {
    const channel = this.#view.front(this.#known());
    const [ms] = this.#session.frame.curve(channel, CURVE.delay);
    const [sign] = this.#session.frame.curve(channel, CURVE.polarity);
    say(this.#who, channel && this.#known().length === 1 ? `${this.#session.channelName(channel)} hears` : ''); // of several the chooser says which
    this.#read(channel);
    say(this.#heard, typeof ms === 'number' ? `${fixed(ms, 2)} ms, ${sign ? (sign > 0 ? 'same' : 'opposite') : 'undecided'}` : '– ms');
  }

  /** What the plumb line reads. @param {number} channel */
  #read(channel) {
    const { grid } = this.#session;
    const hz = this.#view.at;
    const i = grid.length ? nearest(grid, hz) : 0;
    const { mid, low, high } = this.#spectrum.curve(channel, []);
    say(this.#atLine, grid.length ? `${frequency(hz)}: ${signed(mid[i], 1)} dB ${interval(mid[i], low?.[i], high?.[i], 1)}` : '');
  }
}
