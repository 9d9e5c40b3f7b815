// @ts-check
// The sentence first: what the measurement means now, with live phrases that light their evidence.

import { el, say } from '../core/dom.js';
import { clock, fixed } from '../core/format.js';
import { CURVE } from '../core/frames.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {import('../core/view.js').View} View */
/** @typedef {import('../core/types.js').Part} Part */

const MARKS = { steady: '●', attention: '▲', act: '■' };

/** Phrases that light nothing on the page are plain text. @param {string|undefined} about */
const lights = (about) => !!about && /^(arrival:\d+|delay|distance|polarity|trusted|comb|level|reference|microphone)$/.test(about);

export class VerdictLine {
  #session;
  #view;
  #glyph = el('span', { class: 'glyph', 'aria-hidden': 'true' });
  #certainty = el('span', { class: 'certainty' });
  #mark = el('button', { class: 'mark', type: 'button', 'aria-expanded': 'false', onclick: () => this.#expand() }, this.#glyph, this.#certainty);
  #sentence = el('p', { class: 'sentence', 'aria-live': 'polite', 'data-testid': 'verdict' });
  #more = el('button', { class: 'more', type: 'button', text: 'All of it', hidden: true, onclick: () => this.#unfold() });
  #figures = el('p', { class: 'figures', hidden: true });
  #status = el('p', { class: 'status', role: 'status', 'data-testid': 'status' });
  /** @type {(() => void)[]} */
  #off;
  node = el('div', { class: 'verdict' }, el('div', { class: 'side' }, this.#mark, this.#more), el('div', { class: 'says' }, this.#sentence, this.#figures, this.#status));

  /** @param {Session} session @param {View} view */
  constructor(session, view) {
    this.#session = session;
    this.#view = view;
    const show = () => this.#show();
    this.#off = [session.on('verdict', show), session.on('state', show), session.on('status', show), view.onChange(show)];
    show();
  }

  close() {
    for (const off of this.#off) off();
  }

  #channel() {
    return this.#view.front(this.#session.state?.settings.microphones ?? []);
  }

  #show() {
    const { state, status } = this.#session;
    const verdict = this.#session.verdicts.get(this.#channel());
    const mark = verdict?.mark ?? 'attention';
    say(this.#glyph, verdict ? MARKS[mark] : '');
    this.node.dataset.mark = verdict ? mark : '';
    this.#write(verdict?.parts ?? [{ text: waiting(this.#session) }]);
    const sure = verdict?.certainty ?? '';
    say(this.#certainty, sure);
    this.#mark.disabled = !sure;
    this.#mark.setAttribute('aria-label', `${mark}, ${sure}: the figures behind it`);
    this.#fold();
    if (!this.#figures.hidden) say(this.#figures, this.#evidence());

    let trouble = '';
    if (!status.open && status.lastMs) trouble = `No data since ${clock(status.lastMs)}. The daemon is not answering; trying again.`;
    else if (status.stale && status.lastMs) trouble = `No data since ${clock(status.lastMs)}.`;
    if (status.open && state && state.source.state !== 'running' && state.source.text) trouble = `${trouble} ${state.source.text}`.trim();
    say(this.#status, trouble);
  }

  /** @param {Part[]} parts */
  #write(parts) {
    const line = this.#sentence;
    const old = [...line.children];
    const same = old.length === parts.length && parts.every((p, i) => (old[i].getAttribute('data-about') ?? '') === (lights(p.about) ? p.about : ''));
    if (same) {
      parts.forEach((p, i) => say(old[i], p.text));
      return;
    }
    line.replaceChildren(...parts.map((p) => (lights(p.about) ? this.#phrase(p) : el('span', { text: p.text }))));
  }

  /** @param {Part} part */
  #phrase(part) {
    const light = () => this.#view.setLight({ about: /** @type {string} */ (part.about) });
    // Not a button element: a phrase breaks over lines like the words around it.
    return el('span', {
      class: part.text.length < 20 ? 'phrase whole' : 'phrase', role: 'button', tabIndex: 0, text: part.text, 'data-about': part.about, onclick: light,
      onkeydown: (/** @type {KeyboardEvent} */ e) => {
        if (e.key === 'Enter' || e.key === ' ') light();
      }, onpointerenter: light, onfocus: light,
      onpointerleave: () => this.#view.setLight(null), onblur: () => this.#view.setLight(null),
    });
  }

  /** A long verdict is cut after a few lines, until asked for. */
  #fold() {
    const cut = this.#sentence.scrollHeight > this.#sentence.clientHeight + 4;
    if (!this.node.classList.contains('unfolded') && this.#more.hidden === cut) this.#more.hidden = !cut;
  }

  #unfold() {
    const open = this.node.classList.toggle('unfolded');
    say(this.#more, open ? 'Less' : 'All of it');
  }

  #expand() {
    this.#figures.hidden = !this.#figures.hidden;
    this.#mark.setAttribute('aria-expanded', String(!this.#figures.hidden));
    say(this.#figures, this.#evidence());
  }

  /** The figures behind the word. */
  #evidence() {
    const channel = this.#channel();
    const { frame } = this.#session;
    const verdict = this.#session.verdicts.get(channel);
    const [, sd] = frame.curve(channel, CURVE.delay);
    const [sign, confidence] = frame.curve(channel, CURVE.polarity);
    const polarity = sign ? `Polarity ${sign > 0 ? 'same' : 'opposite'} with confidence ${fixed(confidence, 3)}` : 'Polarity undecided';
    return [
      verdict?.delay_reason ? `Delay: ${verdict.delay_reason}.` : `Delay within ±${fixed(typeof sd === 'number' ? 2 * sd : null, 3)} ms (two standard deviations).`,
      verdict?.polarity_reason ? `${polarity}: ${verdict.polarity_reason}.` : `${polarity}.`,
      `Averaged over ${fixed(frame.averagedS, 1)} s, ${frame.gaps} gaps, ${frame.bursts} disturbances left out.`,
    ].join(' ');
  }
}

/** @param {Session} session */
function waiting(session) {
  if (!session.hello) return 'Waiting for the daemon.';
  const source = session.state?.source;
  return source && source.state !== 'running' && source.text ? source.text : `Listening to ${source?.name ?? 'the source'}; the first result takes a moment.`;
}
