// @ts-check
// What every page has: the words along the top (the bar at the bottom on a phone), where the sound comes
// from, the ground, the help, and the notices at the foot.

import * as address from '../core/address.js';
import { ask } from '../core/api.js';
import { el, say } from '../core/dom.js';
import { clock } from '../core/format.js';
import { bindings } from '../core/keys.js';
import { MOST_LETTERS, personName, setPersonName } from '../core/person.js';
import { running } from '../core/session.js';
import { ground, setGround } from '../core/theme.js';
import { upper } from './alignwords.js';
import { Alarm } from './alarm.js';
import { difference } from './changes.js';
import { glossary } from './glossary.js';
import { Notices } from './notice.js';
import { openSheet } from './sheet.js';
import { TextField } from './textfield.js';

/** @typedef {import('../core/session.js').Session} Session */
/** @typedef {{path: string, name: string, key: string, available: (session: Session) => boolean}} Entry */

const GROUNDS = /** @type {const} */ ([['auto', '◐', 'Theme: system'], ['dark', '●', 'Theme: dark'], ['light', '○', 'Theme: light']]);
const STATES = { starting: '○ starting: ', running: '● ', stalled: '▲ stalled: ', lost: '◆ lost: ', ended: '○ ended: ', failed: '◆ failed: ' };
const RECORDING = /** @type {Record<string, string>} */ ({ recording: ' · recording', stopped: ' · ◆ recording stopped' });

export class Shell {
  notices = new Notices();
  main = el('main', { id: 'page', tabIndex: -1 });
  #session;
  #pages;
  #nav = el('nav', { 'aria-label': 'Pages' });
  #source = el('span', { class: 'source', 'data-testid': 'source' });
  #unsourced = el('a', { class: 'source', href: '/setup', text: '◆ No source yet: set up', hidden: true, 'data-testid': 'no-source' });
  #stop = el('button', { type: 'button', class: 'stop', text: 'Stop the signal', hidden: true, 'data-testid': 'stop-signal', operates: 'hide', onclick: () => this.stopSignal() });
  #ground = el('button', { type: 'button', class: 'quiet', onclick: () => this.nextGround() });
  #path = '';
  #alarm;
  /** @type {import('../core/types.js').Settings|null} */
  #settings = null;
  #go;

  /** @param {Session} session @param {Entry[]} pages @param {(path: string) => void} go */
  constructor(session, pages, go) {
    this.#session = session;
    this.#pages = pages;
    this.#go = go;
    const name = el('a', { class: 'wordmark', href: '/listen', 'aria-label': 'plumbline, to the Listen page' }, el('span', { class: 'bob', 'aria-hidden': 'true' }), 'plumbline');
    this.#follow(name, '/listen');
    this.#follow(this.#unsourced, '/setup');
    const help = el('button', { type: 'button', class: 'quiet', text: 'Help', onclick: () => this.help() });
    const watch = el('a', { href: '/watch', class: 'link' });
    this.#follow(watch, '/watch');
    this.#alarm = new Alarm(session, watch);
    document.body.replaceChildren(
      el('a', { class: 'skip', href: '#page', text: 'To the measurement' }),
      el('header', { class: 'top' }, name, this.#nav, this.#source, this.#unsourced, this.#stop, this.#ground, help), this.#alarm.node, this.main, this.notices.node);
    session.on('state', () => {
      this.#show();
      this.#tellChange();
    });
    session.on('status', () => this.#show());
    session.on('rig', () => this.#show());
    session.on('show', () => this.#show());
    session.on('survey', () => this.#show());
    session.on('notice', (n) => {
      if (n.by !== session.client) this.notices.say(n.by ? `${n.text} (${n.by})` : n.text);
    });
    this.#show();
  }

  /** Shows a page. @param {string} path @param {HTMLElement} node */
  at(path, node) {
    this.#path = path;
    // The headline below says what is; this says where one is.
    this.main.replaceChildren(el('h1', { class: 'hidden', text: this.#pages.find((p) => p.path === path)?.name ?? '' }), node);
    this.#show();
  }

  nextGround() {
    const k = GROUNDS.findIndex(([value]) => value === ground());
    setGround(GROUNDS[(k + 1) % GROUNDS.length][0]);
    this.#show();
  }

  /** Silence, from whatever page. */
  stopSignal() {
    if (running(this.#session.survey)) void this.notices.guard(ask('POST', '/api/v1/survey/stop'));
  }

  help() {
    const rows = bindings().map(({ key, says }) => el('div', {}, el('dt', {}, ...key.split(' ').map((k) => el('kbd', { text: named(k) }))), el('dd', { text: says })));
    const person = new TextField({ label: 'Your name on the other pages', testid: 'person', placeholder: this.#session.client, empty: true, own: true, most: MOST_LETTERS, commit: (name) => this.#rename(name) });
    person.show(personName());
    openSheet('Help', el('div', { class: 'help' },
      el('p', { class: 'person' }, 'Your name on the other pages: ', person.node),
      el('h3', { text: 'Keys' }), el('dl', { class: 'keys' }, ...rows), el('h3', { text: 'Hands' }),
      el('p', { text: 'On a plot: point to move the plumb line, wheel or pinch to come closer, drag to move along, Shift and wheel for the dB scale, double click or “Whole range” to go back.' }),
      el('p', { text: 'The ribbon is the 95 % interval. The middle line is drawn where coherence exceeds what unrelated signals reach by chance; the strip on the frequency axis shows coherence as lightness, hatched where it does not.' }),
      el('h3', { text: 'Words' }), glossary(),
      el('p', { class: 'caution', text: 'Protect your hearing. Switch amplifiers off before touching loudspeaker cables. Levels: information only; your local rules and a qualified person decide.' })));
  }

  /** @param {string} name */
  #rename(name) {
    setPersonName(name);
    // Who runs a survey is known by the connection: that stays until it is over.
    if (!running(this.#session.survey)) this.#session.comeAgain();
  }

  #show() {
    const { status, state } = this.#session;
    const open = this.#pages.filter((p) => p.available(this.#session));
    const key = open.map((p) => p.path).join() + this.#path;
    if (this.#nav.dataset.key !== key) {
      this.#nav.dataset.key = key;
      this.#nav.replaceChildren(...open.map((p) => {
        const link = el('a', { href: p.path, text: p.name, 'aria-current': p.path === this.#path ? 'page' : null });
        this.#follow(link, p.path);
        return link;
      }));
    }
    const [, glyph, name] = GROUNDS.find(([value]) => value === ground()) ?? GROUNDS[0];
    if (this.#ground.dataset.name !== name) {
      this.#ground.dataset.name = name;
      this.#ground.replaceChildren(glyph, el('span', { class: 'word', text: ` ${name}` }));
    }
    this.#ground.setAttribute('aria-label', `${name}. Press for the next.`);
    // Two pages have their own, larger one.
    this.#stop.hidden = ['/align', '/walk'].includes(this.#path) || !running(this.#session.survey);
    const none = status.open && state?.source.kind === 'none';
    this.#source.hidden = none;
    this.#unsourced.hidden = !none;
    say(this.#source, !status.open ? '▲ not connected' : state ? `${STATES[state.source.state] ?? ''}${state.source.name}${RECORDING[state.recording?.state ?? ''] ?? ''}` : '');
    this.#source.title = state?.recording ? `${state.recording.file}${state.recording.since ? `, since ${clock(Date.parse(state.recording.since))}` : ''}` : '';
  }

  /** Says what another client changed. */
  #tellChange() {
    const { state } = this.#session;
    if (!state) return;
    const before = this.#settings;
    this.#settings = state.settings;
    if (!before || state.changed_by === this.#session.client) return;
    const what = difference(before, state.settings, (channel) => this.#session.channelName(channel));
    if (what) this.notices.say(`${upper(state.changed_by) || 'Somebody'} set ${what}.`);
  }

  /** @param {HTMLAnchorElement} link @param {string} path */
  #follow(link, path) {
    link.addEventListener('click', (e) => {
      if (e.ctrlKey || e.metaKey || e.shiftKey || e.button !== 0) return;
      e.preventDefault();
      address.go(path);
      this.#go(path);
    });
  }
}

/** @param {string} key */
function named(key) {
  return key.replace('Arrow', '').replace('Escape', 'Esc').replace('-', '\u2212').replace('Control+', 'Ctrl ').replace('Shift+', 'Shift ').replace('Left', '←').replace('Right', '→').replace('Up', '↑').replace('Down', '↓');
}
