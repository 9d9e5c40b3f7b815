// @ts-check
// The show as a file: its name, others to open, new ones, copies; what comes in and what goes out.

import { ask } from '../core/api.js';
import { el } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { EventAudio } from './eventaudio.js';
import { openSheet } from './sheet.js';
import { TextField } from './textfield.js';

/** @typedef {{file: string, modified_at: string, size_bytes: number, newer: boolean}} Entry */

/** @param {import('../core/session.js').Session} session @param {import('./notice.js').Notices} notices */
export async function showsSheet(session, notices) {
  const open = session.show?.file ?? '';
  const answer = await notices.guard(ask('GET', '/api/v1/shows'));
  if (!answer) return;
  /** @type {Entry[]} */
  const shows = answer.shows;
  const then = async (/** @type {Promise<any>} */ change) => {
    if (await notices.guard(change)) sheet.close();
  };
  const named = (/** @type {string} */ word, /** @type {string} */ id, /** @type {(name: string) => void} */ run) => {
    const name = el('input', { class: 'text', type: 'text', placeholder: 'its name', maxLength: 80, required: true, 'aria-label': `${word}: its name`, 'data-testid': `${id}-name` });
    return el('form', { class: 'row', operates: 'hide', onsubmit: (/** @type {Event} */ e) => {
      e.preventDefault();
      if (name.value.trim()) run(name.value.trim());
    } }, name, el('button', { type: 'submit', text: word, 'data-testid': id }));
  };
  const rows = shows.map((s) => el('li', {}, el('span', { class: 'name', text: s.file }), el('small', { text: `${new Date(s.modified_at).toLocaleString()} · ${fixed(s.size_bytes / 1e6, 1)} MB` }),
    s.file === open ? el('span', { class: 'word', text: 'open' }) : s.newer ? el('span', { class: 'word', text: 'made by a newer plumbline' })
      : el('button', { type: 'button', text: 'Open', operates: 'hide', onclick: () => void then(ask('POST', '/api/v1/show/open', { file: s.file })) })));
  const audio = new EventAudio(session, notices);
  const sheet = openSheet('Shows', el('div', { class: 'shows' }, el('ul', {}, ...rows), audio.node,
    named('Make a new one', 'new-show', (name) => void then(ask('POST', '/api/v1/shows', { name }))),
    open ? named('Copy this one', 'copy-show', (name) => void then(ask('POST', '/api/v1/show/copy', { name }).then((copy) => (notices.say(`Copied to ${copy.file}.`), copy)))) : null,
    open ? el('p', { operates: 'hide' }, el('a', { class: 'link', href: '/api/v1/show/file', download: '', text: 'Download this show' })) : null));
  sheet.addEventListener('close', () => audio.close());
}

/** The name of the show, changed in place. @param {import('./notice.js').Notices} notices */
export function showName(notices) {
  return new TextField({ label: 'Name of the show', testid: 'show-name', commit: (name) => void notices.guard(ask('PATCH', '/api/v1/show', { name })) });
}

const KINDS = /** @type {Record<string, string>} */ ({ csv: 'csv', txt: 'csv', tsv: 'csv', json: 'json', wav: 'wav' });

/** Reads responses that were measured elsewhere. @param {Iterable<File>} files @param {import('./notice.js').Notices} notices */
export async function importTakes(files, notices) {
  for (const file of files) {
    const dot = file.name.lastIndexOf('.');
    const kind = KINDS[file.name.slice(dot + 1).toLowerCase()];
    if (!kind) {
      notices.say(`${file.name} cannot be read: give CSV text, JSON or a WAV impulse response.`);
      continue;
    }
    const name = dot > 0 ? file.name.slice(0, dot) : file.name;
    const take = await notices.guard(ask('POST', `/api/v1/show/import/${kind}?name=${encodeURIComponent(name)}`, file));
    if (take) notices.say(`Imported ${file.name}.`);
  }
}
