// @ts-check
// A 2D context that draws SVG: as much of one as our drawing uses. What it is given becomes attributes and text of
// elements, never markup.

import { svg } from '../core/dom.js';

/** @param {number} v */
const r = (v) => String(Math.round(v * 100) / 100);

let clips = 0; // one name each in a page that holds many drawings

export class SvgContext {
  fillStyle = '#000';
  strokeStyle = '#000';
  lineWidth = 1;
  lineJoin = 'miter';
  globalAlpha = 1;
  font = '12px sans-serif';
  textAlign = 'left';
  textBaseline = 'alphabetic';
  #dash = /** @type {number[]} */ ([]);
  #path = /** @type {string[]} */ ([]);
  /** Where elements go now. @type {Element} */
  #into = svg('svg', { role: 'img' });
  #root = this.#into;
  #saved = /** @type {{state: object, dash: number[], into: Element}[]} */ ([]);
  #measure = /** @type {CanvasRenderingContext2D} */ (document.createElement('canvas').getContext('2d'));

  beginPath() {
    this.#path = [];
  }
  /** @param {number} x @param {number} y */
  moveTo(x, y) {
    this.#path.push(`M${r(x)} ${r(y)}`);
  }
  /** @param {number} x @param {number} y */
  lineTo(x, y) {
    this.#path.push(`L${r(x)} ${r(y)}`);
  }
  closePath() {
    this.#path.push('Z');
  }
  /** @param {number} x @param {number} y @param {number} w @param {number} h */
  rect(x, y, w, h) {
    this.#path.push(`M${r(x)} ${r(y)}h${r(w)}v${r(h)}h${r(-w)}Z`);
  }
  fill() {
    if (this.#path.length) this.#add('path', { d: this.#path.join(''), ...this.#filled() });
  }
  stroke() {
    if (this.#path.length) this.#add('path', { d: this.#path.join(''), ...this.#stroked(), 'stroke-dasharray': this.#dash.length ? this.#dash.join(' ') : null });
  }
  /** @param {number} x @param {number} y @param {number} w @param {number} h */
  fillRect(x, y, w, h) {
    this.#add('rect', { x: r(x), y: r(y), width: r(w), height: r(h), ...this.#filled() });
  }
  /** @param {number} x @param {number} y @param {number} w @param {number} h */
  strokeRect(x, y, w, h) {
    this.#add('rect', { x: r(x), y: r(y), width: r(w), height: r(h), ...this.#stroked() });
  }
  /** @param {string} text @param {number} x @param {number} y */
  fillText(text, x, y) {
    this.#text(text, x, y, this.#filled());
  }
  /** @param {string} text @param {number} x @param {number} y */
  strokeText(text, x, y) {
    this.#text(text, x, y, this.#stroked());
  }
  /** @param {string} text */
  measureText(text) {
    this.#measure.font = this.font;
    return this.#measure.measureText(text);
  }
  /** @param {number[]} dash */
  setLineDash(dash) {
    this.#dash = dash;
  }
  save() {
    this.#saved.push({ state: { ...this }, dash: this.#dash, into: this.#into });
  }
  restore() {
    const { state, dash, into } = this.#saved.pop() ?? { state: {}, dash: [], into: this.#root };
    Object.assign(this, state);
    this.#dash = dash;
    this.#into = into;
  }
  clip() {
    const id = `clip${++clips}`;
    this.#add('clipPath', { id }, svg('path', { d: this.#path.join('') }));
    this.#into = this.#add('g', { 'clip-path': `url(#${id})` });
  }

  /** The drawing. @param {number} width @param {number} height @param {string} title */
  element(width, height, title) {
    for (const [name, value] of Object.entries({ viewBox: `0 0 ${width} ${height}`, width, height })) this.#root.setAttribute(name, String(value));
    this.#root.prepend(svg('title', { text: title }));
    return this.#root;
  }

  /** @param {keyof SVGElementTagNameMap} tag @param {Record<string, any>} props @param {...Node} children */
  #add(tag, props, ...children) {
    return this.#into.appendChild(svg(tag, props, ...children));
  }
  /** @param {string} text @param {number} x @param {number} y @param {Record<string, any>} ink */
  #text(text, x, y, ink) {
    const [, weight, size, family] = /^(\d+ )?(\d+(?:\.\d+)?)px (.*)$/.exec(this.font) ?? ['', '', '12', 'sans-serif'];
    const shift = this.textBaseline === 'middle' ? Number(size) * 0.35 : this.textBaseline === 'top' ? Number(size) * 0.8 : 0;
    const anchor = { center: 'middle', right: 'end' }[this.textAlign] ?? 'start';
    this.#add('text', { x: r(x), y: r(y + shift), 'font-family': family, 'font-size': size, 'font-weight': weight?.trim() || null, 'text-anchor': anchor, text, ...ink });
  }
  #filled() {
    return { fill: this.fillStyle, opacity: this.globalAlpha === 1 ? null : r(this.globalAlpha) };
  }
  #stroked() {
    return { ...this.#filled(), fill: 'none', stroke: this.strokeStyle, 'stroke-width': r(this.lineWidth), 'stroke-linejoin': this.lineJoin };
  }
}
