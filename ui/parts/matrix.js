// @ts-check
// Seats by loudspeakers: what is measured, what is missing, what is being measured now; and what a setting does
// at each seat.

import { el, say } from '../core/dom.js';
import { fixed, signed } from '../core/format.js';
import { running } from '../core/session.js';
import { explain } from './glossary.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/types.js').Seat} Seat */
/** @typedef {import('../core/types.js').Take} Take */

const MOST_COLUMNS = 4; // that have room for names; with more the other loudspeakers are numbers under the seat's name

/** @typedef {{key: string, ids: number[], name: string, number: number, ink: string}} Column number is its place in the rig */
/** @typedef {{glyph: string, word: string, says: string}} Mark */

export class Matrix {
  #model;
  #shelf;
  #session;
  #head = el('tr');
  #body = el('tbody');
  #table = el('table', { class: 'matrix' }, el('caption', { class: 'hidden', text: 'Seats by loudspeakers: what is measured' }), el('thead', {}, this.#head), this.#body);
  /** @type {Map<number, Row>} */
  #rows = new Map();
  #headKey = '';
  #sheet;
  #key = el('p', { class: 'boxes-key', hidden: true });
  #legend = el('small', { class: 'legend', text: 'dB over the louder one alone, where heads are; ▼ least' });
  #remove = el('button', { type: 'button', text: 'Delete seat', 'data-testid': 'delete-seat', operates: 'hide', onclick: () => this.#removeSeat() });
  #add = el('button', { type: 'button', text: 'Add a seat', 'data-testid': 'add-seat', operates: 'hide', onclick: () => void this.#addSeat() });
  #boxes = el('button', { type: 'button', text: 'Loudspeakers', 'data-testid': 'loudspeakers', onclick: () => this.#sheet() });
  node = el('div', { class: 'seats-table' }, this.#table, el('div', { class: 'below' }, this.#add, this.#remove, this.#boxes));

  /**
   * @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf
   * @param {import('../core/session.js').Session} session @param {() => void} sheet opens the loudspeakers
   */
  constructor(model, shelf, session, sheet) {
    this.#model = model;
    this.#shelf = shelf;
    this.#session = session;
    this.#sheet = sheet;
    this.#table.after(this.#legend, this.#key);
  }

  show() {
    const { columns, others } = this.#columns();
    const aligned = (this.#model.answer?.seats.length ?? 0) > 0;
    const key = JSON.stringify([columns, others, aligned]);
    if (key !== this.#headKey) {
      this.#headKey = key;
      this.#head.replaceChildren(explain(el('th', { scope: 'col' }), 'Seat', 'seat'), ...columns.map((c) => el('th', { scope: 'col', class: `take ${c.ink}`, title: c.name }, el('span', { text: c.name }))),
        ...(aligned ? [el('th', { scope: 'col', class: 'number', text: 'today' }), el('th', { scope: 'col', class: 'number', text: 'then' })] : []));
      this.#legend.hidden = !aligned;
      this.#key.hidden = !others.length;
      this.#key.replaceChildren(...others.map((c) => el('span', {}, el('b', { text: String(c.number) }), ` ${c.name}`)));
    }
    const { seats } = this.#shelf;
    for (const [id, row] of this.#rows) {
      if (seats.some((s) => s.id === id)) continue;
      row.node.remove();
      this.#rows.delete(id);
    }
    seats.forEach((seat, k) => {
      let row = this.#rows.get(seat.id);
      if (!row) this.#rows.set(seat.id, (row = new Row(seat, this.#model, this.#shelf)));
      if (this.#body.rows[k] !== row.node) this.#body.insertBefore(row.node, this.#body.rows[k] ?? null);
      row.show(seat, columns, this.#marks(seat, columns), others, this.#marks(seat, others), aligned);
    });
    const chosen = this.#model.seat;
    this.#remove.hidden = !chosen;
    this.#remove.setAttribute('aria-label', `Delete ${chosen?.name ?? ''}`);
    this.follow();
  }

  #removeSeat() {
    const { seat } = this.#model;
    if (seat) void this.#shelf.remove('seats', seat.id, seat.name);
  }

  /** Only the numbers under the hand. */
  follow() {
    const { answer, levels, worstNow, worst } = this.#model;
    answer?.seats.forEach((s, k) => this.#rows.get(s.seat)?.follow(levels.today[k], levels.now[k], s.seat === worst?.seat && answer.seats.length > 1, k === worstNow && levels.now.length > 1));
  }

  /** Every loudspeaker alone and the pair: with a column, or as a number. @returns {{columns: Column[], others: Column[]}} */
  #columns() {
    const { main, fill } = this.#model;
    const { loudspeakers } = this.#shelf;
    const alone = loudspeakers.map((l, k) => ({ key: `alone-${l.id}`, ids: [l.id], name: l.name, number: k + 1, ink: l.name === main ? 'k0' : l.name === fill ? 'k1' : 'other' }));
    const pair = [main, fill].flatMap((name) => alone.filter((c) => c.name === name));
    const others = alone.filter((c) => !pair.includes(c));
    const both = pair.length === 2 ? [{ key: 'both', ids: pair.flatMap((c) => c.ids).sort((a, b) => a - b), name: 'both', number: 0, ink: 'ink' }] : [];
    return alone.length <= MOST_COLUMNS ? { columns: [...pair, ...others, ...both], others: [] } : { columns: [...pair, ...both], others };
  }

  /** @param {Seat} seat @param {Column[]} columns @returns {Mark[]} */
  #marks(seat, columns) {
    const { survey } = this.#session;
    const account = this.#model.answer?.seats.find((s) => s.seat === seat.id);
    return columns.map((c) => {
      const playing = survey && running(survey) && survey.seat === seat.id && survey.purpose === 'survey'
        && survey.playing.length === c.ids.length && survey.playing.every((name) => this.#shelf.loudspeakers.some((l) => l.name === name && c.ids.includes(l.id)));
      if (playing) return { glyph: '◐', word: '', says: `being measured, ${fixed(survey.done * 100, 0)} % of the band is sure` };
      const take = this.#shelf.takeOf(seat.id, c.ids);
      if (!take) return { glyph: '○', word: '', says: 'missing' };
      const used = c.key !== 'both' || !account || account.take_both > 0;
      return { glyph: '●', word: used ? '' : '*', says: used ? `measured at ${time(take)}` : 'measured, but with other settings than now' };
    });
  }

  /** The new one is where one goes next. */
  async #addSeat() {
    const seat = await this.#shelf.addSeat();
    if (seat) this.#model.setSeat(seat.id);
  }
}

/** @param {Take} take */
const time = (take) => new Date(take.at).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', hour12: false });

class Row {
  #name;
  #choose;
  #today = el('td', { class: 'number' });
  #then = el('td', { class: 'number' });
  #model;
  node;

  /** @param {Seat} seat @param {import('./alignmodel.js').AlignModel} model @param {import('./shelf.js').Shelf} shelf */
  constructor(seat, model, shelf) {
    this.#model = model;
    this.#name = new TextField({ label: `Name of ${seat.name}`, testid: `seat-${seat.id}`, commit: (name) => void shelf.change('seats', seat.id, { name }) });
    this.#choose = el('button', { type: 'button', class: 'choose', 'aria-label': `Look at ${seat.name}`, 'data-testid': `look-${seat.id}`, onclick: () => model.setSeat(seat.id) }, el('span', { class: 'bob', 'aria-hidden': 'true' }));
    this.node = el('tr', { onclick: (/** @type {MouseEvent} */ e) => {
      if (!(/** @type {HTMLElement} */ (e.target).closest('button, input'))) model.setSeat(seat.id);
    } });
  }

  /** @param {Seat} seat @param {Column[]} columns @param {Mark[]} marks @param {Column[]} others @param {Mark[]} numbered @param {boolean} aligned */
  show(seat, columns, marks, others, numbered, aligned) {
    this.#name.show(seat.name);
    const chosen = this.#model.seat?.id === seat.id;
    this.node.classList.toggle('chosen', chosen);
    this.#choose.setAttribute('aria-pressed', String(chosen));
    const key = JSON.stringify([columns.map((c) => c.key), marks, others.map((c) => [c.number, c.name]), numbered, aligned]);
    if (this.node.dataset.key === key) return;
    this.node.dataset.key = key;
    const testid = (/** @type {Column} */ c) => `take-${seat.id}-${c.key.startsWith('alone') ? c.name : c.key}`;
    const cells = columns.map((c, k) => el('td', { class: `take ${c.ink}`, 'data-testid': testid(c), title: marks[k].says },
      el('span', { class: 'mark', text: marks[k].glyph, 'aria-hidden': 'true' }), el('small', { text: marks[k].word }), el('span', { class: 'hidden', text: marks[k].says })));
    const boxes = others.map((c, k) => el('span', { class: 'box', 'data-testid': testid(c), 'data-mark': numbered[k].glyph, title: `${c.name}: ${numbered[k].says}` },
      String(c.number), el('span', { class: 'hidden', text: ` ${c.name} ${numbered[k].says}` })));
    this.node.replaceChildren(el('th', { scope: 'row' }, el('div', { class: 'seat-name' }, this.#choose, this.#name.node), boxes.length ? el('div', { class: 'boxes-row' }, ...boxes) : null), ...cells, ...(aligned ? [this.#today, this.#then] : []));
  }

  /** @param {number|null} today @param {number} then @param {boolean} worst today @param {boolean} worstNow */
  follow(today, then, worst, worstNow) {
    say(this.#today, `${worst ? '▼ ' : ''}${signed(today, 1)}`);
    say(this.#then, `${worstNow ? '▼ ' : ''}${signed(then, 1)}`);
    this.#today.classList.toggle('is-worst', worst);
    this.#then.classList.toggle('is-worst', worstNow);
  }
}
