// @ts-check
// One shell, one session, one page at a time.

import * as address from './core/address.js';
import { setClient } from './core/api.js';
import { bind } from './core/keys.js';
import { setRole } from './core/role.js';
import { Session } from './core/session.js';
import { View } from './core/view.js';
import { AlignPage } from './pages/align.js';
import { ListenPage } from './pages/listen.js';
import { RigPage } from './pages/rig.js';
import { SetupPage } from './pages/setup.js';
import { WalkPage } from './pages/walk.js';
import { WatchPage } from './pages/watch.js';
import { ShowPage } from './pages/show.js';
import { Shell } from './parts/shell.js';

/** @typedef {import('./parts/shell.js').Entry & {make: (context: Context) => Page}} PageEntry */
/** @typedef {{session: Session, view: View, shell: Shell}} Context */
/** @typedef {{node: HTMLElement, close: () => void, plots: () => Record<string, import('./draw/plot.js').Plot|null>}} Page */

/** A page is a module and a line here. @type {PageEntry[]} */
const PAGES = [
  { path: '/setup', name: 'Set up', key: '1', available: () => true, make: (c) => new SetupPage(c) },
  { path: '/listen', name: 'Listen', key: '2', available: () => true, make: (c) => new ListenPage(c) },
  { path: '/align', name: 'Align', key: '3', available: (s) => s.show !== undefined, make: (c) => new AlignPage(c) },
  { path: '/watch', name: 'Watch', key: '4', available: () => true, make: (c) => new WatchPage(c) },
  { path: '/show', name: 'Show', key: '5', available: (s) => s.show !== undefined, make: (c) => new ShowPage(c) },
  { path: '/rig', name: 'Rig', key: '6', available: (s) => s.rig !== null || s.state?.source.kind === 'rig', make: (c) => new RigPage(c) },
  { path: '/walk', name: 'Walk', key: '7', available: (s) => s.show !== undefined, make: (c) => new WalkPage(c) },
];

const session = new Session(`${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/api/v1/live`);
const view = new View();
/** @type {Page|null} */
let page = null;

const shell = new Shell(session, PAGES, show);
session.on('hello', (hello) => {
  setClient(hello.client);
  if (setRole(hello.role)) show(location.pathname);
});
bind([
  ...PAGES.map((p) => ({ key: `Shift+${p.key}`, says: `${p.name} page`, run: () => {
    if (!p.available(session)) return;
    address.go(p.path);
    show(p.path);
  } })),
  { key: 'Escape', says: 'Stop the test signal', operates: true, run: () => shell.stopSignal() },
  { key: 'n', says: 'Next theme: system, dark, daylight', run: () => shell.nextGround() },
  { key: '?', says: 'This sheet', run: () => shell.help() },
]);
addEventListener('popstate', () => show(location.pathname));
show(location.pathname);
// Whoever comes to no page in particular, before there is a source, comes to choose one.
session.on('state', (state) => {
  if (location.pathname !== '/' || state.source.kind !== 'none') return;
  history.replaceState(null, '', '/setup');
  show('/setup');
});

/** @param {string} path */
function show(path) {
  const entry = PAGES.find((p) => p.path === path) ?? PAGES[1];
  page?.close();
  page = entry.make({ session, view, shell });
  shell.at(entry.path, page.node);
  document.title = `${entry.name} · plumbline`;
}

/** For tests and for the curious: what the page shows, as data. */
Object.defineProperty(window, '__app', {
  value: {
    get frames() { return session.frames; },
    get lastSeq() { return session.frame.seq; },
    get plots() { return page?.plots() ?? {}; },
    get page() { return page; },
    session,
    view,
  },
});
