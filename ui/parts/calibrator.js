// @ts-check
// Calibration in three steps: what stands on the microphone, what is heard of it, what that means.

import { ask, refusal } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { Field } from './field.js';
import { day } from './now.js';
import { openSheet } from './sheet.js';

/** @typedef {import('../core/types.js').Calibration} Calibration */
/** @typedef {import('../core/types.js').Calibrations} Calibrations */

const LISTEN_S = 5;
const LEVELS_DB = [94, 114];

/**
 * @param {import('../core/session.js').Session} session
 * @param {number} channel of the microphone
 * @param {import('./notice.js').Notices} notices
 */
export function openCalibrator(session, channel, notices) {
  let level = LEVELS_DB[0];
  let busy = 0;
  const name = session.channelName(channel);
  const heard = el('output', { class: 'big', 'data-testid': 'calibrator-heard' });
  const steady = el('small');
  const now = el('p', { class: 'remark', 'data-testid': 'calibration-now' });
  const undo = el('button', { type: 'button', text: 'Take back', hidden: true });
  const answer = el('p', { class: 'answer', role: 'status', 'data-testid': 'calibration-answer' });
  const bar = el('progress', { max: LISTEN_S, value: 0, hidden: true, 'aria-label': 'Listening' });
  const listen = el('button', { type: 'button', class: 'go', text: `Listen for ${LISTEN_S} s`, 'data-testid': 'calibration-listen', onclick: () => void run(false) });
  const insist = el('button', { type: 'button', text: 'The gain was changed: keep it all the same', hidden: true, onclick: () => void run(true) });
  const choices = LEVELS_DB.map((db) => el('button', { type: 'button', text: `${db} dB`, 'aria-pressed': String(db === level), 'data-testid': `calibrator-${db}`, onclick: () => choose(db) }));
  const other = new Field({ label: 'Level of the calibrator, dB', unit: 'dB', step: 0.1, least: 90, most: 126, digits: 1, commit: (db) => choose(db) });
  other.show(level);

  const content = el('div', { class: 'calibrator' },
    el('ol', {},
      el('li', {}, el('p', { text: `Put the calibrator on ${name} and switch it on. It stands at` }), el('p', { class: 'pair' }, ...choices, el('span', { text: 'or' }), other.node)),
      el('li', {}, el('p', {}, 'Now it hears ', heard, ' dBFS ', steady)),
      el('li', {}, el('p', {}, listen, bar), answer, insist)),
    el('p', { class: 'row' }, now, undo));

  /** @param {number} db */
  function choose(db) {
    level = db;
    choices.forEach((c, k) => c.setAttribute('aria-pressed', String(LEVELS_DB[k] === db)));
    other.show(db);
  }

  /** @param {boolean} force */
  async function run(force) {
    listen.disabled = insist.disabled = true;
    insist.hidden = true;
    bar.hidden = false;
    delete answer.dataset.mark;
    say(answer, 'Listening …');
    const began = performance.now();
    busy = window.setInterval(() => (bar.value = Math.min(LISTEN_S, (performance.now() - began) / 1000)), 100);
    try {
      /** @type {Calibration} */
      const c = await ask('POST', '/api/v1/calibration', { microphone: channel, level_db: level, seconds: LISTEN_S, force });
      answer.dataset.mark = 'steady';
      say(answer, `● ${tell(c)}`);
    } catch (error) {
      answer.dataset.mark = 'act';
      say(answer, `▲ ${error instanceof Error ? error.message : error}`);
      insist.hidden = refusal(error) !== 'gain_changed';
    }
    clearInterval(busy);
    bar.hidden = true;
    listen.disabled = insist.disabled = false;
    say(listen, 'Listen again');
    await read();
  }

  async function read() {
    /** @type {Calibrations|null} */
    const all = await notices.guard(ask('GET', '/api/v1/calibration'));
    const c = all?.calibrations.find((x) => x.microphone === channel);
    say(now, c ? `In force: ${day(c.at)}${c.by ? `, by ${c.by}` : ''}; full scale is ${fixed(c.offset_db, 1)} dB re 20 µPa.` : 'Not calibrated yet: levels are dBFS.');
    undo.hidden = !c;
    say(undo, c && c.earlier ? 'Back to the one before' : 'Take back');
  }
  undo.addEventListener('click', async () => {
    if (await notices.guard(ask('POST', '/api/v1/calibration/undo', { microphone: channel }))) say(answer, 'Taken back.');
    await read();
  });

  /** @type {number[]} */
  const lately = [];
  const show = () => {
    const l = session.levels?.microphones.find((m) => m.microphone === channel);
    if (!l) return;
    // The reading before calibration, whatever is in force: what the input delivers.
    const raw = l.lcf_db === null ? null : l.lcf_db - (l.calibrated_at ? offset : 0);
    say(heard, fixed(raw, 1));
    lately.push(raw ?? -Infinity);
    if (lately.length > 8) lately.shift();
    const spread = Math.max(...lately) - Math.min(...lately);
    say(steady, lately.length < 8 ? '' : spread < 0.3 ? 'steady' : `not steady, moves by ${fixed(spread, 1)} dB`);
  };
  let offset = 0;
  void ask('GET', '/api/v1/calibration').then((all) => (offset = all.calibrations.find((/** @type {Calibration} */ x) => x.microphone === channel)?.offset_db ?? 0)).catch(() => {});
  const off = session.on('levels', show);
  show();
  void read();
  openSheet('Calibrate', content).addEventListener('close', () => {
    off();
    clearInterval(busy);
  });
}

/** @param {Calibration} c */
function tell(c) {
  return `Kept, ${day(c.at)}. A tone of ${fixed(c.frequency_hz, 0)} Hz at ${fixed(c.tone_dbfs, 1)} dBFS, steady within ${fixed(c.scatter_db, 2)} dB: full scale is ${fixed(c.offset_db, 1)} dB re 20 µPa.`;
}
