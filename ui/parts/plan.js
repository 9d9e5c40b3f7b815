// @ts-check
// The room from above, in metres. Loudspeakers and microphones are dragged or moved with the arrow keys. Each
// loudspeaker's circle is its wavefront at the moment the first sound reaches the microphone: aligned
// loudspeakers have their circles meet there.

import { say, svg } from '../core/dom.js';
import { fixed } from '../core/format.js';
import { apart } from './chart.js';
import { PlanWords } from './planwords.js';
import { arrivalMs, distance } from './rigmodel.js';

/** @typedef {import('../core/types.js').Position} Position */
/** @typedef {import('../core/types.js').Rig} Rig */

const MARGIN = { left: 34, top: 12, right: 14, bottom: 26 };
const REACH = 22; // CSS pixels around a thing that take the finger
const STEP_M = 0.1;
const KINDS = /** @type {const} */ (['loudspeakers', 'microphones']);

/**
 * @typedef {object} PlanOptions
 * @property {(kind: 'loudspeakers'|'microphones', name: string, position: Position, gesture: string) => void} move
 * @property {(name: string) => void} choose a microphone
 * @property {() => number} speed of sound, m/s
 */

export class Plan {
  #options;
  #room = svg('g');
  #waves = svg('g', { 'clip-path': 'url(#room-clip)' });
  #paths = svg('g');
  #things = svg('g');
  #clip = svg('rect');
  #drawing = svg('svg', { class: 'drawing', role: 'group', 'aria-label': 'Plan of the room' }, svg('defs', {}, svg('clipPath', { id: 'room-clip' }, this.#clip)), this.#room, this.#waves, this.#paths, this.#things);
  /** @type {Map<string, SVGGElement>} */
  #handles = new Map();
  /** @type {Rig|null} */
  #scene = null;
  #front = '';
  #scale = 1;
  #roomKey = '';
  #observer;
  node = /** @type {HTMLElement} */ (document.createElement('div'));

  /** @param {PlanOptions} options */
  constructor(options) {
    this.#options = options;
    this.node.className = 'plan';
    this.node.append(this.#drawing);
    this.#observer = new ResizeObserver(() => this.#draw());
    this.#observer.observe(this.node);
  }

  close() {
    this.#observer.disconnect();
  }

  /** @param {Rig} scene @param {string} front the microphone that is looked at */
  show(scene, front) {
    this.#scene = scene;
    this.#front = front;
    this.#draw();
  }

  #draw() {
    const scene = this.#scene;
    const width = this.node.clientWidth;
    const height = this.node.clientHeight;
    if (!scene || width < 50 || height < 50) return;
    const [across, deep] = scene.room.size_m;
    this.#scale = Math.min((width - MARGIN.left - MARGIN.right) / across, (height - MARGIN.top - MARGIN.bottom) / deep);
    this.node.style.setProperty('--aspect', `${across} / ${deep}`);
    const key = `${width} ${height} ${across} ${deep}`;
    if (key !== this.#roomKey) {
      this.#roomKey = key;
      set(this.#drawing, { viewBox: `0 0 ${width} ${height}` });
      this.#drawRoom(across, deep);
    }
    const microphone = scene.microphones.find((m) => m.name === this.#front) ?? scene.microphones[0];
    const used = new Set();
    const things = KINDS.flatMap((kind) => {
      const called = apart(scene[kind].map(({ name }) => name));
      return scene[kind].map(({ name, position_m }, k) => ({ kind, name, called: called[k], k, position: position_m, at: this.#at(position_m) }));
    });
    const [right, bottom] = this.#at(scene.room.size_m);
    const words = new PlanWords({ left: MARGIN.left, top: MARGIN.top, right, bottom }, things);
    // Loudspeakers, who is looked at, the times; then the other seats as far as there is room.
    const rank = (/** @type {typeof things[number]} */ t) => (t.kind === 'loudspeakers' ? 0 : t.name === microphone?.name ? 1 : 2);
    things.sort((a, b) => rank(a) - rank(b));
    for (const t of things.filter((t) => rank(t) < 2)) this.#place(t, words);
    if (microphone) this.#drawSound(scene, microphone.position_m, words);
    for (const t of things.filter((t) => rank(t) === 2)) this.#place(t, words);
    for (const t of things) used.add(`${t.kind}/${t.name}`);
    for (const [name, handle] of this.#handles) {
      if (used.has(name)) continue;
      handle.remove();
      this.#handles.delete(name);
    }
    for (const l of scene.loudspeakers) {
      const handle = this.#handles.get(`loudspeakers/${l.name}`);
      if (!handle) continue;
      handle.classList.toggle('muted', l.mute);
      handle.classList.toggle('opposite', l.polarity === 'opposite');
    }
    for (const m of scene.microphones) this.#handles.get(`microphones/${m.name}`)?.classList.toggle('front', m === microphone);
  }

  /** @param {readonly number[]} p @returns {[number, number]} */
  #at(p) {
    return [MARGIN.left + p[0] * this.#scale, MARGIN.top + p[1] * this.#scale];
  }

  /** @param {number} across @param {number} deep */
  #drawRoom(across, deep) {
    const [left, top] = this.#at([0, 0]);
    const [right, bottom] = this.#at([across, deep]);
    const frame = { x: left, y: top, width: right - left, height: bottom - top };
    set(this.#clip, frame);
    const parts = [];
    const step = [1, 2, 5, 10, 20, 50].find((s) => s * this.#scale >= 46) ?? 100;
    for (let x = 0; x <= across + 1e-9; x += step) {
      const [px] = this.#at([x, 0]);
      parts.push(svg('line', { class: 'grid', x1: px, x2: px, y1: top, y2: bottom }), svg('text', { class: 'rule', x: px, y: bottom + 18, 'text-anchor': 'middle', text: x === 0 ? '0 m' : String(x) }));
    }
    for (let y = 0; y <= deep + 1e-9; y += step) {
      const [, py] = this.#at([0, y]);
      parts.push(svg('line', { class: 'grid', x1: left, x2: right, y1: py, y2: py }), svg('text', { class: 'rule', x: left - 7, y: py + 4, 'text-anchor': 'end', text: String(y) }));
    }
    this.#room.replaceChildren(...parts, svg('rect', { class: 'walls', ...frame }));
  }

  /** @param {Rig} scene @param {Position} ear @param {PlanWords} words */
  #drawSound(scene, ear, words) {
    const speed = this.#options.speed();
    const playing = scene.loudspeakers.filter((l) => !l.mute);
    const first = Math.min(...playing.map((l) => arrivalMs(l, ear, speed)));
    const [ex, ey] = this.#at(ear);
    /** @type {SVGElement[]} */
    const waves = [];
    /** @type {SVGElement[]} */
    const paths = [];
    scene.loudspeakers.forEach((l, k) => {
      const [x, y] = this.#at(l.position_m);
      const ink = `k${k % 4}`;
      const polarity = l.polarity === 'opposite' ? ' opposite' : '';
      if (!l.mute) {
        // Radius in the horizontal plane of the microphone, so that a wavefront at the microphone passes through it.
        const path = ((first - l.delay_ms) / 1000) * speed;
        const up = ear[2] - l.position_m[2];
        const radius = path > 0 ? Math.sqrt(Math.max(0, path * path - up * up)) : 0;
        waves.push(svg('circle', { class: `wave ${ink}${polarity}`, cx: x, cy: y, r: radius * this.#scale }));
      }
      paths.push(svg('line', { class: `path ${ink}${polarity}${l.mute ? ' muted' : ''}`, x1: x, y1: y, x2: ex, y2: ey }));
      const long = Math.hypot(ex - x, ey - y) > 200;
      const text = l.mute ? 'muted' : `${fixed(arrivalMs(l, ear, speed), 2)} ms${long ? `, ${fixed(distance(l.position_m, ear), 2)} m` : ''}`;
      const spot = words.time(text, [x, y], [ex, ey]);
      if (spot.free) paths.push(svg('text', { class: `time ${ink}`, x: spot.x, y: spot.y, 'text-anchor': 'middle', text })); // the numbers say it too
    });
    this.#waves.replaceChildren(...waves);
    this.#paths.replaceChildren(...paths);
  }

  /** @param {{kind: 'loudspeakers'|'microphones', name: string, called: string, k: number, position: Position, at: [number, number]}} thing @param {PlanWords} words */
  #place({ kind, name, called, k, position, at }, words) {
    const id = `${kind}/${name}`;
    let handle = this.#handles.get(id);
    if (!handle) {
      handle = this.#make(kind, name, k);
      this.#handles.set(id, handle);
      this.#things.append(handle);
    }
    const [x, y] = at;
    set(handle, {
      transform: `translate(${x} ${y})`,
      'aria-label': `${kind === 'microphones' ? 'Microphone' : 'Loudspeaker'} ${name}, ${fixed(position[0], 2)} m along, ${fixed(position[1], 2)} m across, ${fixed(position[2], 2)} m up. Arrow keys move it.`,
    });
    const spot = words.name(called, kind, at);
    const label = /** @type {SVGTextElement} */ (handle.lastChild);
    say(label, spot.text);
    set(label, { x: spot.x - x, y: spot.y - y });
    handle.classList.toggle('crowded', !spot.free); // then its name is shown when it is pointed at
  }

  /** @param {'loudspeakers'|'microphones'} kind @param {string} name @param {number} k */
  #make(kind, name, k) {
    const body = kind === 'microphones'
      ? [svg('circle', { class: 'body', r: 8 }), svg('circle', { class: 'core', r: 2.5 })]
      : [svg('rect', { class: 'body', x: -10, y: -10, width: 20, height: 20 }), svg('circle', { class: 'core', r: 5 })];
    const handle = svg('g', { class: `thing ${kind} k${k % 4}`, tabindex: 0, role: 'button', 'data-arrows': '', 'data-name': name, 'data-testid': `handle-${name}` },
      svg('circle', { class: 'reach', r: REACH }), ...body, svg('text', { 'text-anchor': 'middle', text: name }));
    handle.addEventListener('pointerdown', (e) => this.#grab(e, handle, kind, name));
    handle.addEventListener('keydown', (e) => this.#nudge(e, kind, name));
    handle.addEventListener('focus', () => {
      if (kind === 'microphones') this.#options.choose(name);
    });
    return handle;
  }

  /** @param {'loudspeakers'|'microphones'} kind @param {string} name @returns {Position} */
  #position(kind, name) {
    return [.../** @type {Position} */ ([...(this.#scene?.[kind] ?? [])].find((t) => t.name === name)?.position_m ?? [0, 0, 0])];
  }

  /** @param {PointerEvent} e @param {SVGGElement} handle @param {'loudspeakers'|'microphones'} kind @param {string} name */
  #grab(e, handle, kind, name) {
    if (e.pointerType === 'mouse' && e.button !== 0) return;
    e.preventDefault();
    handle.focus();
    handle.setPointerCapture(e.pointerId);
    handle.classList.add('held');
    const from = this.#position(kind, name);
    const gesture = `${kind}/${name}/${e.timeStamp}`;
    // CSS pixels per metre: the drawing is not scaled, but the page may be zoomed.
    const move = (/** @type {PointerEvent} */ m) => {
      const to = this.#inside([from[0] + (m.clientX - e.clientX) / this.#scale, from[1] + (m.clientY - e.clientY) / this.#scale, from[2]]);
      this.#options.move(kind, name, to, gesture);
    };
    const stop = () => {
      handle.classList.remove('held');
      handle.removeEventListener('pointermove', move);
      handle.removeEventListener('pointerup', stop);
      handle.removeEventListener('pointercancel', stop);
    };
    handle.addEventListener('pointermove', move);
    handle.addEventListener('pointerup', stop);
    handle.addEventListener('pointercancel', stop);
  }

  /** @param {KeyboardEvent} e @param {'loudspeakers'|'microphones'} kind @param {string} name */
  #nudge(e, kind, name) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!way) return;
    e.preventDefault();
    const by = STEP_M * (e.shiftKey ? 10 : 1);
    const [x, y, z] = this.#position(kind, name);
    this.#options.move(kind, name, this.#inside([x + way[0] * by, y + way[1] * by, z]), `${kind}/${name}/keys`);
  }

  /** @param {Position} p @returns {Position} */
  #inside(p) {
    const size = this.#scene?.room.size_m ?? p;
    return /** @type {Position} */ (p.map((v, i) => Number(Math.min(size[i], Math.max(0, v)).toFixed(2))));
  }
}

/** @param {Element} node @param {Record<string, string|number>} attributes */
function set(node, attributes) {
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, String(value));
}
