// @ts-check
// Set up: what is measured with, and whether all of it works.

import { DeviceList } from '../parts/devicelist.js';
import { InputList } from '../parts/inputlist.js';
import { Sentence } from '../parts/sentence.js';
import { SetupModel } from '../parts/setupmodel.js';
import { SetupSteps } from '../parts/setupsteps.js';
import { trouble } from '../parts/verdict.js';
import { el } from '../core/dom.js';

/** @typedef {import('../core/types.js').Setup} Setup */

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

/** One sentence over all steps. @param {Setup} setup @returns {{mark: 'steady'|'attention'|'act', headline: string, text: string}} */
function sum({ text, checks, changeable, source }) {
  const todo = checks.find((c) => c.mark === 'act');
  const look = checks.filter((c) => c.mark === 'attention');
  const waits = checks.find((c) => c.mark === 'steady' && c.certainty === 'cannot tell');
  if (!changeable) return { mark: todo ? 'act' : 'steady', headline: 'The source is virtual.', text: `${text}${todo ? ` ${todo.text}` : ''}` };
  if (!source) return { mark: 'act', headline: 'No source yet.', text: text || (checks[0]?.text ?? '') };
  if (text) return { mark: 'attention', headline: 'Not as you chose.', text };
  if (todo) return { mark: 'act', headline: 'Not ready yet.', text: todo.text };
  if (waits) return { mark: 'steady', headline: 'Listening.', text: 'Play the programme: each step gets its tick as soon as it can be told.' };
  if (look.length) return { mark: 'attention', headline: `Ready to measure, with ${look.length === 1 ? 'one thing' : `${look.length} things`} to look at.`, text: look[0].text };
  return { mark: 'steady', headline: 'Ready to measure.', text: 'All steps have their tick. What you chose is kept with the device.' };
}
