// @ts-check
// The takes of the show: found by seat, loudspeaker and text; named, annotated, drawn, taken away, deleted.

import * as address from '../core/address.js';
import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { explain } from './glossary.js';
import { folds } from './panel.js';
import { openSheet } from './sheet.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').Take} Take */

const ALL = '0';

export class TakeList {
  #shelf;
  #overlays;
  #seat = el('select', { 'aria-label': 'Takes of this seat', 'data-testid': 'filter-seat', onchange: () => this.#filter('of-seat', this.#seat.value) });
  #box = el('select', { 'aria-label': 'Takes of this loudspeaker', 'data-testid': 'filter-loudspeaker', onchange: () => this.#filter('of', this.#box.value) });
  #text = el('input', { class: 'text', type: 'search', placeholder: 'any text', 'aria-label': 'Takes with this text', 'data-testid': 'filter-text', value: address.text('text', ''), oninput: () => this.#filter('text', this.#text.value) });
  #count = el('span', { class: 'word' });
  #list = el('ul', { class: 'takes' });
  #empty = el('p', { class: 'remark' });
  /** @type {Map<number, TakeRow>} */
  #rows = new Map();
  node = el('section', { class: 'take-list', 'aria-label': 'Takes' },
    el('div', { class: 'filters' }, el('label', { class: 'choice' }, el('span', { text: 'at' }), this.#seat), el('label', { class: 'choice' }, el('span', { text: 'of' }), this.#box), el('label', { class: 'choice' }, el('span', { text: 'with' }), this.#text), this.#count), this.#empty, this.#list);

  /** @param {import('./shelf.js').Shelf} shelf @param {import('./overlays.js').Overlays} overlays */
  constructor(shelf, overlays) {
    this.#shelf = shelf;
    this.#overlays = overlays;
  }

  show() {
    const { seats, loudspeakers, takes } = this.#shelf;
    options(this.#seat, [[ALL, 'every seat'], ...seats.map((s) => [String(s.id), s.name])], address.text('of-seat', ALL));
    options(this.#box, [[ALL, 'any loudspeaker'], ...loudspeakers.map((l) => [String(l.id), l.name])], address.text('of', ALL));
    const shown = takes.filter((t) => this.#matches(t)).reverse();
    explain(this.#count, shown.length === takes.length ? `${takes.length} ${takes.length === 1 ? 'take' : 'takes'}` : `${shown.length} of ${takes.length} takes`, 'take');
    say(this.#empty, takes.length ? (shown.length ? '' : 'No take is like that.') : '');
    const here = new Set(shown.map((t) => t.id));
    for (const [id, row] of this.#rows) {
      if (here.has(id)) continue;
      row.node.remove();
      this.#rows.delete(id);
    }
    shown.forEach((take, k) => {
      let row = this.#rows.get(take.id);
      if (!row) this.#rows.set(take.id, (row = new TakeRow(take, this.#shelf, this.#overlays)));
      if (this.#list.children[k] !== row.node) this.#list.insertBefore(row.node, this.#list.children[k] ?? null);
      row.show(take);
    });
  }

  /** @param {Take} t */
  #matches(t) {
    const seat = Number(address.text('of-seat', ALL));
    const box = Number(address.text('of', ALL));
    const text = address.text('text', '').toLowerCase();
    const all = [t.name, t.note, t.source, this.#shelf.seatName(t.seat), this.#shelf.playing(t.loudspeakers), t.by].join(' ').toLowerCase();
    return (!seat || t.seat === seat) && (!box || t.loudspeakers.includes(box)) && all.includes(text);
  }

  /** @param {string} key @param {string} value */
  #filter(key, value) {
    address.set(key, value && value !== ALL ? value : null);
    this.show();
  }
}

/** @param {HTMLSelectElement} select @param {string[][]} list @param {string} value */
function options(select, list, value) {
  const key = JSON.stringify(list);
  if (select.dataset.key !== key) {
    select.dataset.key = key;
    select.replaceChildren(...list.map(([v, text]) => el('option', { value: v, text })));
  }
  select.value = list.some(([v]) => v === value) ? value : ALL;
}

class TakeRow {
  #shelf;
  #overlays;
  #take;
  #name;
  #note;
  #draw;
  #facts = el('small');
  node;

  /** @param {Take} take @param {import('./shelf.js').Shelf} shelf @param {import('./overlays.js').Overlays} overlays */
  constructor(take, shelf, overlays) {
    this.#take = take;
    this.#shelf = shelf;
    this.#overlays = overlays;
    this.#name = new TextField({ label: 'Name of the take', testid: `take-name-${take.id}`, placeholder: `take ${take.id}`, empty: true, commit: (name) => void shelf.change('takes', take.id, { name }) });
    this.#note = new TextField({ label: 'Note', testid: `take-note-${take.id}`, placeholder: 'add a note', empty: true, most: 2000, commit: (note) => void shelf.change('takes', take.id, { note }) });
    this.#draw = el('button', { type: 'button', class: 'draw', 'data-testid': `draw-${take.id}`, onclick: () => overlays.toggle(take.id) }, el('span', { class: 'chip', 'aria-hidden': 'true' }));
    const out = el('details', { class: 'menu', operates: 'hide' }, el('summary', { text: 'Export', 'data-testid': `export-${take.id}` }),
      el('div', { class: 'choices' }, ...['csv', 'json', 'wav', ...(take.audio.frames ? ['audio'] : [])].map((kind) => el('a', { href: `/api/v1/show/takes/${take.id}/export/${kind}`, download: '', text: { csv: 'CSV, response', json: 'JSON, everything', wav: 'WAV, impulse response', audio: 'WAV, what was heard' }[kind] ?? kind })),
        el('button', { type: 'button', text: 'To the Listen page, as a trace', 'data-testid': `to-listen-${take.id}`, onclick: () => {
          out.open = false;
          void shelf.layOver(take.id);
        } })));
    folds(out);
    this.node = el('li', { class: 'take-row' }, this.#draw, el('div', { class: 'texts' }, el('div', { class: 'names' }, this.#name.node, this.#note.node), this.#facts),
      el('div', { class: 'acts' }, el('button', { type: 'button', class: 'quiet', text: 'Label', 'data-testid': `label-${take.id}`, operates: 'hide', onclick: () => this.#label() }), out,
        el('button', { type: 'button', class: 'quiet', text: 'Delete', 'data-testid': `delete-${take.id}`, operates: 'hide', onclick: () => void shelf.remove('takes', take.id, this.#overlays.name(take.id)) })));
  }

  /** @param {Take} take */
  show(take) {
    this.#take = take;
    this.#name.show(take.name);
    this.#note.show(take.note);
    const k = this.#overlays.ink(take.id);
    this.#draw.setAttribute('aria-pressed', String(k >= 0));
    this.#draw.setAttribute('aria-label', `${k >= 0 ? 'Do not draw' : 'Draw'} ${this.#overlays.name(take.id)}`);
    /** @type {HTMLElement} */ (this.#draw.firstChild).className = k >= 0 ? `chip k${k % 4} d${Math.floor(k / 4)}` : 'chip none';
    const when = new Date(take.at);
    const today = when.toDateString() === new Date().toDateString();
    const playing = this.#shelf.playing(take.loudspeakers);
    const level = take.results.levels?.rms_dbfs;
    say(this.#facts, [
      take.damaged ?? '', ...(take.results.cautions ?? []).map((c) => `▲ ${c.text}`), take.seat ? this.#shelf.seatName(take.seat) : 'no seat', playing === take.name ? '' : playing || 'no loudspeaker', when.toLocaleString([], { ...(today ? {} : { month: 'short', day: 'numeric' }), hour: '2-digit', minute: '2-digit', hour12: false }),
      take.origin === 'imported' ? 'imported' : `${fixed(take.delay_ms, 2)} ms`, typeof level === 'number' ? `${signed(level, 0)} dBFS` : '',
    ].filter(Boolean).join(' · '));
  }

  /** Which seat, which loudspeakers: can be put right later. */
  #label() {
    const take = this.#take;
    const { seats, loudspeakers } = this.#shelf;
    const seat = el('select', { 'data-testid': 'label-seat', onchange: () => void this.#shelf.change('takes', take.id, { seat: Number(seat.value) }) }, el('option', { value: '0', text: 'no seat' }), ...seats.map((s) => el('option', { value: String(s.id), text: s.name })));
    seat.value = String(take.seat);
    const playing = new Set(take.loudspeakers);
    const boxes = loudspeakers.map((l) => {
      const button = el('button', { type: 'button', text: l.name, 'aria-pressed': String(playing.has(l.id)), onclick: () => {
        if (!playing.delete(l.id)) playing.add(l.id);
        button.setAttribute('aria-pressed', String(playing.has(l.id)));
        void this.#shelf.change('takes', take.id, { loudspeakers: [...playing] });
      } });
      return button;
    });
    openSheet(this.#overlays.name(take.id), el('div', { class: 'labels' },
      el('label', { class: 'choice' }, el('span', { text: 'seat' }), seat), el('div', { class: 'choice' }, el('span', { text: 'playing' }), ...boxes),
      el('p', { class: 'remark', text: `${take.source || 'source unknown'}, ${fixed(take.sample_rate_hz, 0)} Hz, window ${take.window === 'multi' ? 'multi' : `${take.window} samples`}, ${fixed(take.averaged_s, 1)} s averaged, air ${fixed(take.temperature_c, 1)} °C${take.results.assumed_temperature ? ' (assumed)' : ''}, by ${take.by || 'nobody named'}. Polarity ${take.results.polarity.verdict}${take.results.polarity.reason ? `: ${take.results.polarity.reason}` : ''}.` })));
  }
}
