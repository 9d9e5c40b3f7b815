// @ts-check
// Which device, at which rate, and which output a cable leads back from.

import { el, say } from '../core/dom.js';

/** @typedef {import('../core/types.js').AudioDevice} AudioDevice */
/** @typedef {import('./setupmodel.js').SetupModel} SetupModel */

const RATES_HZ = [44100, 48000, 88200, 96000, 176400, 192000];
const MOST_OUTPUTS = 64;

/** @param {number} hz */
const kHz = (hz) => `${hz / 1000} kHz`;
/** @param {number} n @param {string} one */
const counted = (n, one) => `${n} ${one}${n === 1 ? '' : 's'}`;

export class DeviceList {
  #model;
  #list = el('ul', { class: 'devices', 'aria-label': 'Devices' });
  #none = el('p', { class: 'remark', 'data-testid': 'no-devices' });
  #again = el('button', { type: 'button', text: 'Look again', 'data-testid': 'look-again', operates: 'hide', onclick: () => this.#model.look() });
  #leave = el('button', { type: 'button', text: 'Let it go', title: 'Other programs can use it then, and devices connected since are found.', 'data-testid': 'leave-device', operates: 'hide', onclick: () => this.#model.leave() });
  #rate = el('select', { 'data-testid': 'rate', operates: 'still', onchange: () => this.#model.change({ rate_hz: Number(this.#rate.value) }) });
  #output = el('select', { 'data-testid': 'output', operates: 'still', onchange: () => this.#model.change({ output: this.#output.value, loopback_output: 0 }) });
  #loopback = el('select', { 'data-testid': 'loopback-output', operates: 'still', onchange: () => this.#model.change({ loopback_output: Number(this.#loopback.value) }) });
  #loopbackChoice = el('label', { class: 'choice' }, el('span', { text: 'loopback from' }), this.#loopback);
  #dials = el('p', { class: 'setup-dials' },
    el('label', { class: 'choice' }, el('span', { text: 'rate' }), this.#rate),
    el('label', { class: 'choice' }, el('span', { text: 'test signal on' }), this.#output), this.#loopbackChoice);
  node = el('section', { class: 'setup-device', 'aria-label': 'Device' },
    el('h2', {}, 'Device'), this.#list, this.#none, el('p', { class: 'row' }, this.#again, this.#leave), this.#dials);

  /** @param {SetupModel} model */
  constructor(model) {
    this.#model = model;
  }

  draw() {
    const { setup, busy } = this.#model;
    if (!setup) return;
    const { source, devices } = setup;
    const still = !!busy || setup.state === 'changing';
    this.#again.disabled = this.#leave.disabled = still;
    this.#leave.hidden = !source;
    this.#dials.hidden = !source;
    say(this.#none, devices.length ? '' : 'No audio device is here: connect one, or start the system’s sound, and look again. plumbline demo needs none.');
    this.#none.hidden = devices.length > 0;
    const key = JSON.stringify([devices, source?.device, still]);
    if (this.#list.dataset.key !== key) this.#write(key, devices, source?.device ?? '', still);
    if (!source) return;
    const own = this.#model.device?.default_rate_hz;
    options(this.#rate, [['0', own ? `the device’s own (${kHz(own)})` : 'the device’s own'], ...RATES_HZ.map((hz) => /** @type {[string, string]} */ ([String(hz), kHz(hz)]))], String(source.rate_hz));
    const players = devices.filter((d) => d.outputs > 0);
    options(this.#output, [['', 'no output'], ...players.map((d) => /** @type {[string, string]} */ ([d.id, d.name]))], source.output);
    const outputs = Math.min(MOST_OUTPUTS, players.find((d) => d.id === source.output)?.outputs ?? source.loopback_output);
    options(this.#loopback, [['0', 'no output'], ...Array.from({ length: outputs }, (_, k) => /** @type {[string, string]} */ ([String(k + 1), `output ${k + 1}`]))], String(source.loopback_output));
    this.#loopbackChoice.hidden = !source.output;
    this.#rate.disabled = this.#output.disabled = this.#loopback.disabled = still;
  }

  /** @param {string} key @param {AudioDevice[]} devices @param {string} used @param {boolean} still */
  #write(key, devices, used, still) {
    const focused = document.activeElement?.getAttribute('data-device');
    this.#list.dataset.key = key;
    this.#list.replaceChildren(...devices.filter((d) => d.inputs > 0).map((d) => {
      const few = d.inputs < 2;
      const mine = d.id === used;
      const facts = `${d.host} · ${counted(d.inputs, 'input')}, ${counted(d.outputs, 'output')} · ${kHz(d.default_rate_hz)}`;
      const button = el('button', {
        type: 'button', 'aria-pressed': String(mine), disabled: few || still, 'data-device': d.id, 'data-testid': `device-${d.id}`, operates: 'still',
        onclick: () => {
          if (!mine) void this.#model.use(d);
        },
      }, d.name);
      const says = few ? 'too few inputs: reference and microphone are two inputs of one device' : mine ? 'in use' : d.kept ? 'used before' : d.default_input ? 'the system’s own choice' : '';
      return el('li', {}, button, el('small', { text: says ? `${facts} · ${says}` : facts }));
    }));
    if (focused) /** @type {HTMLElement|null} */ (this.#list.querySelector(`[data-device="${CSS.escape(focused)}"]`))?.focus();
  }
}

/** Fills a select, where it differs, unless somebody is choosing. @param {HTMLSelectElement} select @param {[string, string][]} list @param {string} value */
function options(select, list, value) {
  if (!list.some(([v]) => v === value)) list.push([value, value || '–']);
  const key = JSON.stringify(list);
  if (select.dataset.key !== key) {
    select.dataset.key = key;
    select.replaceChildren(...list.map(([v, text]) => el('option', { value: v, text })));
  }
  if (select.value !== value) select.value = value;
}
