// @ts-check
// Set up: what is measured with, and whether all of it works.

import { DeviceList } from '../parts/devicelist.js';
import { InputList } from '../parts/inputlist.js';
import { Sentence } from '../parts/sentence.js';
import { SetupModel } from '../parts/setupmodel.js';
import { SetupSteps } from '../parts/setupsteps.js';
import { trouble } from '../parts/verdict.js';
import { el } from '../core/dom.js';
import { sum } from '../parts/setupwords.js';


export class SetupPage {
  #session;
  #model;
  #sentence;
  #devices;
  #inputs;
  #steps;
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    this.#session = session;
    this.#model = new SetupModel(shell.notices, () => this.#draw());
    this.#sentence = new Sentence(view, /^$/, () => '');
    this.#devices = new DeviceList(this.#model);
    this.#inputs = new InputList(this.#model, session);
    this.#steps = new SetupSteps(this.#model, session, shell.notices);
    this.node = el('div', { class: 'page setup' }, this.#sentence.node,
      el('div', { class: 'chosen' }, this.#devices.node, this.#inputs.node), this.#steps.node);
    const draw = () => this.#draw();
    this.#off = [session.on('state', draw), session.on('status', draw)];
    session.want({ frames_per_second: 1, microphones: [] });
    this.#draw();
  }

  close() {
    this.#model.close();
    for (const off of this.#off) off();
  }

  plots() {
    return {};
  }

  #draw() {
    const { setup, busy } = this.#model;
    const says = setup ? sum(setup) : { mark: /** @type {const} */ (''), headline: '', text: 'Asking the daemon what there is.' };
    const still = busy || (setup?.state === 'changing' ? 'Changing the source …' : '');
    const { status } = this.#session;
    this.#sentence.show({
      mark: still ? '' : says.mark, certainty: '', headline: still || says.headline, parts: [{ text: says.text }],
      trouble: !still && !status.open ? trouble(this.#session) : '',
    });
    this.node.dataset.state = still ? 'busy' : 'ready';
    this.#devices.node.hidden = setup?.changeable === false;
    this.#devices.draw();
    this.#inputs.draw();
    this.#steps.draw();
  }
}
