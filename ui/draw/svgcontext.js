// @ts-check
// A 2D context that writes SVG: as much of one as our drawing uses.

/** @param {string|number} s */
const escape = (s) => String(s).replace(/[&<>"]/g, (c) => ({ '&': '&amp;', '<': '&lt;', '>': '&gt;', '"': '&quot;' })[c] ?? c);
/** @param {number} v */
const r = (v) => String(Math.round(v * 100) / 100);

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
  #out = /** @type {string[]} */ ([]);
  #clips = 0;
  #open = [0];
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
    this.#out.push(`<path d="${this.#path.join('')}" fill="${escape(this.fillStyle)}"${this.#alpha()}/>`);
  }
  stroke() {
    const dash = this.#dash.length ? ` stroke-dasharray="${this.#dash.join(' ')}"` : '';
    this.#out.push(`<path d="${this.#path.join('')}" fill="none" stroke="${escape(this.strokeStyle)}" stroke-width="${r(this.lineWidth)}" stroke-linejoin="${this.lineJoin}"${dash}${this.#alpha()}/>`);
  }
  /** @param {number} x @param {number} y @param {number} w @param {number} h */
  fillRect(x, y, w, h) {
    this.#out.push(`<rect x="${r(x)}" y="${r(y)}" width="${r(w)}" height="${r(h)}" fill="${escape(this.fillStyle)}"${this.#alpha()}/>`);
  }
  /** @param {number} x @param {number} y @param {number} w @param {number} h */
  strokeRect(x, y, w, h) {
    this.#out.push(`<rect x="${r(x)}" y="${r(y)}" width="${r(w)}" height="${r(h)}" fill="none" stroke="${escape(this.strokeStyle)}" stroke-width="${r(this.lineWidth)}"/>`);
  }
  /** @param {string} text @param {number} x @param {number} y */
  fillText(text, x, y) {
    const [, weight, size, family] = /^(\d+ )?(\d+(?:\.\d+)?)px (.*)$/.exec(this.font) ?? ['', '', '12', 'sans-serif'];
    const anchor = { center: 'middle', right: 'end' }[this.textAlign] ?? 'start';
    const shift = this.textBaseline === 'middle' ? Number(size) * 0.35 : this.textBaseline === 'top' ? Number(size) * 0.8 : 0;
    this.#out.push(`<text x="${r(x)}" y="${r(y + shift)}" font-family="${escape(family)}" font-size="${size}"${weight ? ` font-weight="${weight.trim()}"` : ''} text-anchor="${anchor}" fill="${escape(this.fillStyle)}">${escape(text)}</text>`);
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
    this.#open.push(0);
  }
  restore() {
    for (let n = this.#open.pop() ?? 0; n > 0; n--) this.#out.push('</g>');
  }
  clip() {
    const id = `clip${++this.#clips}`;
    this.#out.push(`<clipPath id="${id}"><path d="${this.#path.join('')}"/></clipPath><g clip-path="url(#${id})">`);
    this.#open[this.#open.length - 1]++;
  }

  /** @param {number} width @param {number} height @param {string} title */
  document(width, height, title) {
    return `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width} ${height}" width="${width}" height="${height}" role="img"><title>${escape(title)}</title>${this.#out.join('\n')}</svg>\n`;
  }

  #alpha() {
    return this.globalAlpha === 1 ? '' : ` opacity="${r(this.globalAlpha)}"`;
  }
}
