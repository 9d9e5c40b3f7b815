// @ts-check
// Show: what was measured, laid over each other; notes, export, report.

import { el, say } from '../core/dom.js';
import { lead } from '../core/headline.js';
import { bind } from '../core/keys.js';
import { frequencyTick, signed } from '../core/format.js';
import { decades, every } from '../draw/axes.js';
import { PAPER } from '../draw/paper.js';
import { GRID } from '../core/overlay.js';
import { lower } from '../parts/alignwords.js';
import { Awaited } from '../parts/awaited.js';
import { Chart, colourOf, nearest } from '../parts/chart.js';
import { Notebook, ReportLink } from '../parts/notebook.js';
import { Overlays } from '../parts/overlays.js';
import { Painter } from '../parts/painter.js';
import { Sentence } from '../parts/sentence.js';
import { openSheet } from '../parts/sheet.js';
import { Shelf } from '../parts/shelf.js';
import { importTakes, showName, showsSheet } from '../parts/shows.js';
import { words } from '../parts/showwords.js';
import { cell, save, table } from '../parts/take.js';
import { Tabs } from '../parts/tabs.js';
import { TakeList } from '../parts/takelist.js';
import { trouble } from '../parts/verdict.js';


export class ShowPage {
  #session;
  #shelf;
  #overlays;
  #takes;
  #chart;
  #sentence;
  #painter;
  #notebook;
  #report = new ReportLink();
  #name;
  #file = el('input', { type: 'file', multiple: true, accept: '.csv,.txt,.tsv,.json,.wav', hidden: true, 'data-testid': 'import-file', onchange: () => this.#import(this.#file.files ?? []) });
  #bar;
  #notes = el('button', { type: 'button', 'data-testid': 'notes', onclick: () => openSheet('Notes', this.#notebook.node) });
  #evidence = el('div', { class: 'evidence' });
  #tabs = new Tabs(this.#evidence, [['magnitude', 'Magnitude'], ['phase', 'Phase']], () => this.#painter.request());
  /** What to do first. */
  #start = el('div', { class: 'first-steps' });
  #newest = el('button', { type: 'button', text: 'Draw the newest', 'data-testid': 'draw-newest', onclick: () => this.#drawNewest() });
  #awaited = new Awaited([
    { title: 'Magnitude', text: 'Takes lie over each other here, each with its 95 % interval.', part: 4 },
    { title: 'Phase', text: 'The same takes, with offset, delay and polarity laid over each.', part: 3 },
  ], this.#newest, this.#start);
  #notices;
  #off;
  node;

  /** @param {import('../app.js').Context} context */
  constructor({ session, view, shell }) {
    this.#session = session;
    this.#notices = shell.notices;
    const redraw = () => this.#painter.request();
    this.#shelf = new Shelf(session, shell.notices);
    this.#overlays = new Overlays(this.#shelf, shell.notices);
    this.#takes = new TakeList(this.#shelf, this.#overlays);
    this.#notebook = new Notebook(this.#shelf);
    this.#name = showName(shell.notices);
    this.#sentence = new Sentence(view, /^$/, () => '');
    let ready = false;
    this.#chart = new Chart(view, {
      redraw, flick: (step) => this.#tabs.turn(step), curves: () => (ready ? this.#overlays.curves() : []), save: (plot, kind) => this.#save(plot, kind), table: () => openSheet('The numbers', this.#table()),
    });
    ready = true;
    this.#chart.magnitudePanel.tools.append(this.#overlays.tools);
    this.#bar = el('div', { class: 'bar-row' }, this.#name.node,
      el('button', { type: 'button', text: 'Report', 'data-testid': 'report-sheet', onclick: () => openSheet('Report', this.#report.node) }), this.#notes,
      el('button', { type: 'button', text: 'Shows', 'data-testid': 'shows', onclick: () => void showsSheet(session, shell.notices) }),
      el('button', { type: 'button', text: 'Import', 'data-testid': 'import', operates: 'hide', onclick: () => this.#file.click() }), this.#file);
    this.node = el('div', { class: 'page show' }, this.#sentence.node,
      el('div', { class: 'contents' }, this.#bar, this.#takes.node),
      this.#evidence);
    this.#evidence.append(this.#awaited.node, this.#tabs.node, this.#chart.node, this.#overlays.node);
    this.node.addEventListener('dragover', (e) => e.preventDefault());
    this.node.addEventListener('drop', (e) => {
      e.preventDefault();
      this.#import(e.dataTransfer?.files ?? []);
    });

    this.#painter = new Painter(session, view, () => {
      this.#chart.draw();
      this.#overlays.read(view.at, session.speedOfSound);
    }, false);
    this.#overlays.onChange = () => {
      this.#chart.lookAgain();
      this.#takes.show();
      this.#say();
      redraw();
    };
    this.#shelf.onChange = () => this.#show();
    const say_ = () => this.#say();
    this.#off = [
      session.on('show', say_), session.on('status', say_), session.on('state', say_),
      bind([
        { key: '+', says: 'Zoom in', run: () => this.#chart.zoom(0.7) },
        { key: '-', says: 'Zoom out', run: () => this.#chart.zoom(1 / 0.7) },
        { key: 'w', says: 'Whole range', run: () => this.#chart.home() },
        { key: 't', says: 'The numbers as a table', run: () => openSheet('The numbers', this.#table()) },
      ]),
    ];
    session.want({ frames_per_second: 2, microphones: [session.state?.settings.microphones[0] ?? 0].filter(Boolean) });
    this.#show();
  }

  close() {
    for (const off of this.#off) off();
    this.#painter.close();
    this.#chart.close();
    this.#shelf.close();
  }

  plots() {
    return this.#chart.plots;
  }

  /** For tests: what is drawn. */
  get overlays() {
    return this.#overlays;
  }

  #show() {
    this.#overlays.show();
    this.#takes.show();
    this.#notebook.show();
    this.#name.show(this.#session.show?.name ?? '');
    const { length } = this.#shelf.notes.filter((n) => !n.kind);
    say(this.#notes, length ? `Notes (${length})` : 'Notes');
    this.#chart.lookAgain();
    this.#say();
    this.#painter.request();
  }

  #say() {
    const { show } = this.#session;
    this.#bar.hidden = !show;
    this.node.dataset.drawn = String(this.#overlays.list.length > 0);
    const measured = this.#shelf.takes.length > 0;
    const { text, ...says } = this.#words();
    const drawn = this.#overlays.list.length > 0;
    this.#newest.hidden = drawn || !measured;
    this.#awaited.show(!drawn && this.#shelf.known, measured ? 'Next: touch the dot before a take to draw it here.' : `Next: ${lower(text.replace(/^Nothing is measured yet: /, ''))}`);
    this.#takes.node.hidden = !measured;
    this.#begin(show, measured);
    const headline = lead(text);
    const rest = text.startsWith(headline) ? text.slice(headline.length).trim() : text;
    this.#sentence.show({ ...says, headline, parts: [{ text: rest }], trouble: trouble(this.#session) });
    this.node.classList.toggle('stale', !this.#session.status.open);
  }

  /** The takes of the seat that was measured last. */
  #drawNewest() {
    const { takes } = this.#shelf;
    const seat = takes.at(-1)?.seat;
    for (const t of takes.filter((t) => t.seat === seat).slice(-3)) this.#overlays.toggle(t.id);
  }

  /** @param {object|null|undefined} show @param {boolean} measured */
  #begin(show, measured) {
    const key = show === undefined || measured ? '' : show ? 'empty' : 'none';
    if (this.#start.dataset.key === key) return;
    this.#start.dataset.key = key;
    this.#start.hidden = !key;
    const button = (/** @type {string} */ text, /** @type {() => void} */ run) => el('button', { type: 'button', text, onclick: run });
    if (key === 'none') this.#start.replaceChildren(button('Open or make a show', () => void showsSheet(this.#session, this.#notices)));
    else this.#start.replaceChildren(el('a', { class: 'link', href: '/align', text: 'Survey the seats' }), el('button', { type: 'button', text: 'Import a response', operates: 'hide', onclick: () => this.#file.click() }));
  }

  #words() {
    return words(this.#session, this.#shelf, (take) => this.#overlays.name(take));
  }

  /** @param {Iterable<File>} files */
  #import(files) {
    void importTakes(files, this.#notices).then(() => (this.#file.value = ''));
  }

  /** @param {'magnitude'|'phase'} plot @param {'png'|'svg'|'csv'} kind */
  #save(plot, kind) {
    const phase = plot === 'phase';
    const range = this.#chart.plots.magnitude.xRange;
    /** @type {[number, number]} */
    const yRange = phase ? [-180, 180] : this.#chart.plots.magnitude.yRange;
    const drawn = this.#overlays.curves();
    save(`takes-${plot}`, kind, () => ({
      title: phase ? 'Phase, degrees over Hz' : 'Magnitude, dB over Hz', sentence: this.#words().text, caption: `${this.#session.show?.name ?? ''} · ${new Date().toLocaleString()}`,
      strip: true, grid: /** @type {number[]} */ (GRID), curves: drawn.flatMap((d) => {
        const curve = d[plot]?.([]);
        return curve ? [{ name: d.name, curve, colour: colourOf(d.ink, PAPER), dash: d.dash }] : [];
      }),
      x: { range, log: true, splits: decades(...range), tick: frequencyTick },
      y: { range: yRange, splits: phase ? [-180, -90, 0, 90, 180] : every([1, 2, 3, 6, 12, 24], 30)(...yRange, 410), tick: (v) => signed(v, 0) },
    }), () => {
      const head = ['frequency_hz', ...drawn.flatMap((d) => [`${d.name.replaceAll(',', ' at')} dB`, `${d.name.replaceAll(',', ' at')} deg`])];
      const columns = drawn.flatMap((d) => [d.magnitude?.([]).mid ?? [], d.phase?.([]).mid ?? []]);
      return `${head.join(',')}\n${GRID.map((f, i) => [cell(f), ...columns.map((c) => cell(c[i]))].join(',')).join('\n')}\n`;
    });
  }

  #table() {
    const drawn = this.#overlays.curves();
    const levels = [];
    const phases = [];
    for (let k = -17; k <= 13; k++) {
      const hz = 1000 * 10 ** (k / 10); // base-ten third octaves, IEC 61260-1
      const i = nearest(/** @type {number[]} */ (GRID), hz);
      const name = hz < 995 ? hz.toFixed(hz < 99 ? 1 : 0) : `${(hz / 1000).toFixed(2)} k`;
      levels.push([name, ...drawn.map((d) => signed(d.magnitude?.([]).mid[i], 1))]);
      phases.push([name, ...drawn.map((d) => signed(d.phase?.([]).mid[i], 0))]);
    }
    return el('div', { class: 'tables' }, table('Levels by third octaves, dB', ['Hz', ...drawn.map((d) => d.name)], levels), table('Phase by third octaves, degrees', ['Hz', ...drawn.map((d) => d.name)], phases));
  }
}
