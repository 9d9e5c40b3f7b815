// @ts-check
// Where the level stands against a published limit: by a word, a shape, and a bar of what is used.

import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { MARKS } from '../core/marks.js';
import { duration } from '../draw/times.js';
import { Field } from './field.js';
import { explain } from './glossary.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').Limits} Limits */
/** @typedef {import('../core/types.js').LimitStatus} LimitStatus */
/** @typedef {import('../core/types.js').SoundLevel} SoundLevel */

const ANOTHER = '+'; // no limit's id
const WORDS = { inside: 'Inside', near: 'Near', crossed: 'Crossed', 'cannot tell': 'Cannot tell' };

export class Limit {
  #level;
  #notices;
  /** @type {Limits|null} */
  #limits = null;
  #asked = '';
  #profile = el('select', { 'data-testid': 'limit-profile', operates: 'still', 'aria-label': 'Limit', onchange: () => this.#choose() });
  #glyph = el('span', { class: 'glyph', 'aria-hidden': 'true' });
  // Only a change of the word is spoken; its figures move every second.
  #word = el('b', { role: 'status', 'data-testid': 'limit-state' });
  #text = el('span', { 'data-testid': 'limit-text' });
  #bar = el('span', { class: 'used' });
  #meter = el('div', { class: 'budget', role: 'meter', 'aria-label': 'Used of the limit', 'aria-valuemin': 0, 'aria-valuemax': 100 }, this.#bar);
  #used = el('span');
  #crossing = el('span', { 'data-testid': 'limit-crossing' });
  #source = el('p', { class: 'source-of' });
  #name;
  #entry = { limit_db: 100, minutes: 15, quantity: /** @type {'LAeq'|'LCeq'} */ ('LAeq'), name: '' };
  #entryLevel;
  #entryMinutes;
  #weighting = el('select', { 'aria-label': 'Weighting', 'data-testid': 'own-weighting', onchange: () => {
    this.#entry.quantity = this.#weighting.value === 'C' ? 'LCeq' : 'LAeq';
  } }, el('option', { value: 'A', text: 'dB(A)' }), el('option', { value: 'C', text: 'dB(C)' }));
  #form;
  #remove = el('button', { type: 'button', text: 'Delete this limit', hidden: true, 'data-testid': 'own-delete', operates: 'hide', onclick: () => void this.#delete() });
  #correction;
  #place;
  #facts;
  #off;
  node;
  /** What the limit rests on: on small screens it stands further below. */
  terms;

  /**
   * @param {import('../core/session.js').Session} session
   * @param {() => SoundLevel|null} level of the microphone in front
   * @param {import('./notice.js').Notices} notices
   */
  constructor(session, level, notices) {
    this.#level = level;
    this.#notices = notices;
    this.#correction = new Field({
      operates: true,
      label: 'How much louder the loudest seat is than this microphone, in dB', unit: 'dB', step: 0.5, least: -40, most: 40, digits: 1, testid: 'limit-correction',
      commit: (db) => void this.#change({ correction_db: db }),
    });
    this.#entryLevel = new Field({ label: 'Level of the limit', step: 1, least: 40, most: 140, digits: 0, testid: 'own-level', operates: true, commit: (v) => this.#enter('limit_db', v) });
    this.#entryMinutes = new Field({ label: 'Duration of the average, minutes', unit: 'min', step: 1, least: 1, most: 1440, digits: 0, testid: 'own-minutes', operates: true, commit: (v) => this.#enter('minutes', v) });
    this.#name = new TextField({ label: 'Name of the limit', testid: 'own-name', placeholder: 'its figures', empty: true, most: 40, commit: (text) => {
      this.#entry.name = text;
    } });
    this.#form = el('div', { class: 'own', role: 'group', 'aria-label': 'A limit of your own', hidden: true },
      el('span', { class: 'choice' }, this.#entryLevel.node, this.#weighting, el('span', { text: 'over' }), this.#entryMinutes.node),
      el('span', { class: 'choice' }, el('span', { text: 'called' }), this.#name.node),
      el('span', { class: 'choice' }, el('button', { type: 'button', text: 'Follow it', 'data-testid': 'own-add', onclick: () => void this.#add() }),
        el('button', { type: 'button', text: 'Cancel', 'data-testid': 'own-cancel', onclick: () => this.#show(this.#limits) })));
    this.#facts = el('div', { class: 'facts' }, this.#meter, el('p', { class: 'left' }, this.#used, this.#crossing));
    this.node = el('section', { class: 'limit', 'aria-label': 'Limit' },
      el('label', { class: 'choice' }, el('span', { text: 'Limit' }), this.#profile), this.#form,
      el('p', { class: 'standing' }, this.#glyph, this.#word, this.#text), this.#facts);
    this.#place = el('p', { class: 'correction' }, el('span', { text: 'Loudest seat ' }), this.#correction.node, el('span', { text: ' above this microphone' }));
    this.terms = el('section', { class: 'terms', 'aria-label': 'Terms of the limit' }, this.#place, this.#source, this.#remove,
      el('p', { class: 'caution', text: 'Information only; your local rules and a qualified person decide.' }));
    this.#off = [session.on('levels', () => this.draw()), session.on('hello', () => void this.#read())];
    if (session.hello) void this.#read();
    this.draw();
  }

  close() {
    for (const off of this.#off) off();
  }

  /** The line in the level plot, at the microphone. @returns {import('./timechart.js').LimitLine|null} */
  line() {
    const profile = this.#chosen();
    const status = this.#level()?.limit;
    if (!profile || profile.limit_db === null || status?.state === 'cannot tell') return null;
    const correction = this.#limits?.correction_db ?? 0;
    const over = profile.over_s ? ` over ${duration(profile.over_s)}` : '';
    return {
      db: profile.limit_db - correction, slidingS: profile.sliding && profile.over_s && profile.quantity === 'LAeq' ? profile.over_s : 0, crossed: status?.state === 'crossed',
      short: `limit ${fixed(profile.limit_db - correction, 0)} dB`,
      name: `limit ${fixed(profile.limit_db, 0)} dB${over}${correction ? `, ${signed(-correction, 1)} dB here` : ''}`,
    };
  }

  draw() {
    const status = this.#level()?.limit ?? null;
    const profile = this.#chosen();
    if (status && status.profile !== this.#limits?.profile && status.profile !== this.#asked) {
      this.#asked = status.profile; // another page chose
      void this.#read();
    }
    this.node.dataset.state = status?.state ?? 'none';
    say(this.#glyph, status ? MARKS[status.mark] : '');
    say(this.#word, status ? WORDS[status.state] : '');
    say(this.#text, status ? `: ${told(status, profile)}` : profile ? 'Waiting for a level.' : '');
    this.#text.title = status?.text ?? '';
    this.#facts.hidden = !status || status.state === 'cannot tell';
    this.#source.hidden = this.#place.hidden = !profile;
    if (!status) return;
    const used = status.used ?? null;
    this.#bar.style.transform = `scaleX(${Math.min(1, used ?? 0)})`;
    this.#meter.classList.toggle('over', status.state === 'crossed');
    this.#meter.setAttribute('aria-valuenow', String(Math.round(100 * Math.min(1, used ?? 0))));
    this.#meter.hidden = used === null;
    explain(this.#used, used === null ? '' : used >= 1 ? 'nothing left' : `${fixed(100 * (1 - used), used > 0.9 ? 1 : 0)} % of the exposure left`, 'exposure');
    const left = status.crossed_in_s;
    say(this.#crossing, status.state === 'crossed' ? 'crossed' : left === null ? 'never crossed at this pace' : `at this pace crossed in ${duration(left)}`);
  }

  #chosen() {
    return this.#limits?.profiles.find((p) => p.id === this.#limits?.profile) ?? null;
  }

  async #read() {
    const limits = await ask('GET', '/api/v1/limits').catch(() => null);
    if (limits) this.#show(limits);
  }

  #choose() {
    if (this.#profile.value !== ANOTHER) {
      void this.#change({ profile: this.#profile.value });
      return;
    }
    this.#form.hidden = false;
    this.#enter('limit_db', this.#entry.limit_db);
  }

  /** @param {'limit_db'|'minutes'} key @param {number} value */
  #enter(key, value) {
    this.#entry[key] = value;
    this.#entryLevel.show(this.#entry.limit_db);
    this.#entryMinutes.show(this.#entry.minutes);
    this.#name.show(this.#entry.name);
  }

  async #add() {
    const { limit_db, minutes, quantity, name } = this.#entry;
    const limits = await this.#notices.guard(ask('POST', '/api/v1/limits', { limit_db, over_s: Math.round(60 * minutes), quantity, name }));
    if (!limits) return; // what was entered stays, to be changed
    this.#entry.name = '';
    this.#show(limits);
  }

  /** Nothing asks: it can be taken back. */
  async #delete() {
    const profile = this.#chosen();
    if (!profile) return;
    const limits = await this.#notices.guard(ask('DELETE', `/api/v1/limits/${profile.id}`));
    if (!limits) return;
    this.#show(limits);
    const { name, quantity, limit_db, over_s } = profile;
    this.#notices.say(`The limit ${name} is deleted.`, { label: 'Undo', run: () => void this.#notices.guard(ask('POST', '/api/v1/limits', { name, quantity, limit_db, over_s })).then((back) => this.#show(back)) });
  }

  /** @param {object} patch */
  async #change(patch) {
    const limits = await this.#notices.guard(ask('PATCH', '/api/v1/limits', patch));
    this.#show(limits ?? this.#limits);
  }

  /** @param {Limits|null} limits */
  #show(limits) {
    if (!limits) return;
    const key = JSON.stringify(limits.profiles.map((p) => [p.id, p.name]));
    if (this.#profile.dataset.key !== key) {
      this.#profile.dataset.key = key;
      const option = (/** @type {import('../core/types.js').LimitProfile} */ p) => el('option', { value: p.id, text: p.name });
      this.#profile.replaceChildren(el('option', { value: '', text: 'none' }), ...limits.profiles.filter((p) => p.own).map(option), ...limits.profiles.filter((p) => !p.own).map(option), el('option', { value: ANOTHER, text: 'another …' }));
    }
    this.#form.hidden = true;
    this.#limits = limits;
    this.#profile.value = limits.profile;
    this.#correction.show(limits.correction_db);
    const profile = this.#chosen();
    this.#remove.hidden = !profile?.own;
    say(this.#source, profile ? `Source: ${profile.source}` : '');
    this.#source.title = profile ? [profile.source, profile.note].filter(Boolean).join('. ') : '';
    this.draw();
  }
}

/** The figures of a standing; the whole sentence is over the page when it matters. @param {LimitStatus} status @param {import('../core/types.js').LimitProfile|null} profile */
function told(status, profile) {
  if (status.state === 'cannot tell' || !profile) return status.text;
  if (status.peak_crossed) return `peak ${fixed(status.peak_db, 1)} dB, limit ${fixed(profile.peak_db, 0)} dB`;
  const whole = profile.sliding && (status.elapsed_s ?? 0) >= (profile.over_s ?? 0) - 1;
  const over = whole ? `over ${duration(profile.over_s)}` : `over ${duration(status.elapsed_s)} so far`;
  return `${fixed(status.level_db, 1)} dB ${over}, limit ${fixed(status.limit_db, 0)} dB${whole ? '' : ` over ${duration(profile.over_s)}`}`;
}
