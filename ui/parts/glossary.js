// @ts-check
// Terms explained: all of them in the help, and each at its first place on a page, for who taps it.

import { el, say } from '../core/dom.js';
import { openSheet } from './sheet.js';

const TERMS = /** @type {const} */ ({
  arrival: ['Arrival', 'A sound that reaches the microphone as a copy of the reference: a loudspeaker’s direct sound or a reflection. Flags number them; a flag that points down is inverted.'],
  baseline: ['Baseline', 'A take that the watch compares with: how it sounded when all was well.'],
  coherence: ['Coherence', 'How much of what the microphone hears comes from the reference, 0 to 1. Noise, reverberation and a second source lower it. Above chance means heard; known to ±1 dB is good enough to equalise.'],
  comb: ['Comb', 'Two arrivals of one sound add at some frequencies and cancel between them, as regularly as the teeth of a comb.'],
  efficiency: ['Efficiency', 'How much of the level that two loudspeakers could reach together they do reach, in dB below the ideal sum.'],
  exposure: ['Sound exposure', 'Level and time together: 3 dB more, half the time.'],
  ledger: ['Ledger', 'Where the missing decibels of a sum go: level, time, polarity, phase, spectrum, and what is left.'],
  plan: ['Plan', 'Delay, polarity and level to dial in at the processor, found from the takes of all seats.'],
  polarity: ['Polarity', 'Same: a push at the reference is a push at the microphone. Opposite or inverted: it is a pull.'],
  reference: ['Reference', 'The signal as it is sent to the loudspeakers, on a channel of its own. Everything is compared with it.'],
  response: ['Magnitude and phase', 'What the way from reference to microphone makes louder, softer, earlier or later, by frequency. The ribbon is the 95 % interval.'],
  seat: ['Seat', 'A place in the room where the microphone stands for a take.'],
  take: ['Take', 'One measurement, stored with its audio, its place and what played.'],
  walk: ['Walk', 'From seat to seat with the page in one hand: choose the seat you stand at, press the one button, wait until it is measured, go on to the next. Delay and level now are those of the microphone, wherever it is; the numbers beside the seats are those that were measured there. What was measured stays when the network drops.'],
  window: ['Window', 'How long a stretch of sound is looked at at once. Multi: long for low, short for high frequencies.'],
});

/** All terms, for the help. */
export const glossary = () => el('dl', { class: 'glossary' }, ...Object.values(TERMS).map(([name, says]) => el('div', {}, el('dt', { text: name }), el('dd', { text: says }))));

/** @typedef {keyof typeof TERMS} Term */

/** How a term is written in labels, headings and readings. @type {Partial<Record<Term, string>>} */
const WRITTEN = { comb: 'combs?', plan: 'plan(?:ned)?', response: 'magnitude', take: 'takes?' };

/** A word that explains itself when tapped. @param {Term} term @param {string} text */
function button(term, text) {
  const [name, says] = TERMS[term];
  return el('button', { type: 'button', class: 'term', text, 'aria-label': `${text}: what is that?`, 'data-term': term, onclick: () => openSheet(name, el('p', { class: 'explained', text: says })) });
}

/**
 * Writes a label, a heading or a reading in which the words of these terms explain themselves when tapped. What stays as it
 * was is not made anew: who is on it with the keyboard stays there.
 * @template {HTMLElement} T @param {T} node @param {string} text @param {...Term} terms @returns {T}
 */
export function explain(node, text, ...terms) {
  /** Each word that is one, and what is between. @type {[string, Term?][]} */
  let parts = [[text]];
  for (const term of terms) {
    parts = parts.flatMap(([part, known]) => {
      const found = known ? null : new RegExp(`\\b${WRITTEN[term] ?? term}\\b`, 'i').exec(part);
      if (!found) return [/** @type {[string, Term?]} */ ([part, known])];
      const end = found.index + found[0].length;
      return /** @type {[string, Term?][]} */ ([[part.slice(0, found.index)], [found[0], term], [part.slice(end)]]);
    });
  }
  parts = parts.filter(([part]) => part);
  const same = (/** @type {ChildNode|undefined} */ child, /** @type {[string, Term?]} */ [part, term]) => (term ? child instanceof HTMLElement && child.dataset.term === term && child.textContent === part : child instanceof Text);
  if (node.childNodes.length !== parts.length || !parts.every((part, k) => same(node.childNodes[k], part))) {
    node.replaceChildren(...parts.map(([part, term]) => (term ? button(term, part) : document.createTextNode(''))));
  }
  parts.forEach(([part, term], k) => term || say(node.childNodes[k], part));
  return node;
}
