// Keeps what is written and drawn on canvases, for those who measure the page. Loaded before the page.
(() => {
  const kept = new WeakMap();
  const proto = CanvasRenderingContext2D.prototype;
  const of = (canvas) => kept.get(canvas) ?? kept.set(canvas, { words: [], lines: [], lit: false }).get(canvas);
  const path = new WeakMap();
  const before = (name, look) => {
    const real = proto[name];
    proto[name] = function (...args) {
      if (window.__keep) look(this, ...args);
      return real.apply(this, args);
    };
  };
  const at = (ctx, x, y, m = ctx.getTransform()) => [m.a * x + m.c * y + m.e, m.b * x + m.d * y + m.f];
  // What is clipped away is not drawn: only rectangles clip here.
  const clip = new WeakMap();
  const stack = new WeakMap();
  const rect = new WeakMap();
  before('save', (ctx) => stack.set(ctx, [...(stack.get(ctx) ?? []), clip.get(ctx)]));
  before('restore', (ctx) => {
    const all = stack.get(ctx) ?? [];
    clip.set(ctx, all.pop());
  });
  before('rect', (ctx, x, y, w, h) => rect.set(ctx, [at(ctx, x, y), at(ctx, x + w, y + h)]));
  before('clip', (ctx) => clip.set(ctx, rect.get(ctx)));
  before('clearRect', (ctx) => kept.delete(ctx.canvas));
  // Nothing turns or moves while a line is drawn: asking each time would take longer than the drawing.
  let turned = new DOMMatrix();
  before('beginPath', (ctx) => path.set(ctx, []));
  before('moveTo', (ctx, x, y) => path.get(ctx)?.push([at(ctx, x, y, (turned = ctx.getTransform()))]));
  before('lineTo', (ctx, x, y) => path.get(ctx)?.at(-1)?.push(at(ctx, x, y, turned)));
  // What a phrase lights is drawn as a veil, or as thin lines that shine through; an arrival's line is three times as wide.
  const VEIL = 0.13;
  const COMB = 0.6;
  before('fillRect', (ctx) => {
    if (Math.abs(ctx.globalAlpha - VEIL) < 1e-3) of(ctx.canvas).lit = true;
  });
  before('stroke', (ctx) => {
    if (Math.abs(ctx.globalAlpha - COMB) < 1e-3) of(ctx.canvas).lit = true;
    const lines = path.get(ctx);
    if (lines?.length) of(ctx.canvas).lines.push({ lines, within: clip.get(ctx) ?? [[0, 0], [ctx.canvas.width, ctx.canvas.height]], colour: ctx.strokeStyle, alpha: ctx.globalAlpha });
  });
  before('fillText', (ctx, text, x, y) => {
    const m = ctx.measureText(text);
    const [left, top] = at(ctx, x - m.actualBoundingBoxLeft, y - m.actualBoundingBoxAscent);
    const [right, bottom] = at(ctx, x + m.actualBoundingBoxRight, y + m.actualBoundingBoxDescent);
    of(ctx.canvas).words.push({ text, left, top, right, bottom, colour: ctx.fillStyle, alpha: ctx.globalAlpha, size: parseFloat(/([\d.]+)px/.exec(ctx.font)[1]) * ctx.getTransform().a, weight: parseInt(ctx.font) || 400 });
  });
  window.__drawn = (canvas) => of(canvas);
})();
