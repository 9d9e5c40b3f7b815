// @ts-check
// How far a survey is, and what ends its sound.

import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';

/** @typedef {import('../core/types.js').Survey} Survey */

export class Progress {
  bar = el('div', { class: 'bar', role: 'progressbar', 'aria-label': 'How much of the survey is done', 'aria-valuemin': 0, 'aria-valuemax': 100 }, el('span'));
  /** Step, what plays, its level and the time to go. */
  left = el('span', { 'data-testid': 'survey-left' });
  /** What holds the sound. */
  tie = el('span', { class: 'remark' });

  /** @param {Survey} survey @param {string} client this page's name */
  follow(survey, client) {
    const done = survey.steps ? (Math.max(0, survey.step - 1) + Math.min(1, survey.done)) / survey.steps : 0;
    /** @type {HTMLElement} */ (this.bar.firstChild).style.transform = `scaleX(${done})`;
    this.bar.setAttribute('aria-valuenow', String(Math.round(done * 100)));
    const level = survey.level_dbfs === null ? 'silent' : `${fixed(survey.level_dbfs, 0)} dBFS`;
    const left = survey.state === 'measuring' && survey.remaining_s !== null ? `about ${fixed(roundUp(survey.remaining_s), 0)} s left` : '';
    say(this.left, [`${survey.step} of ${survey.steps}`, survey.playing.join(' + '), level, left].filter(Boolean).join(', '));
    say(this.tie, survey.by === client ? 'The sound stops when this page is closed, hangs for a second or loses the network. In a tab that is only hidden it goes on.' : 'The sound stops when the page that started it is closed.');
  }
}

/** A time to go is told in steps of 5 s from 10 s on, as the daemon's sentence does. @param {number} s */
const roundUp = (s) => (s < 10 ? Math.ceil(s) : 5 * Math.ceil(s / 5));
