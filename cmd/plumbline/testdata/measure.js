// Measures what a page shows: text boxes, those on canvases too, against each other and against curves; targets;
// number fields; contrast; rings of focus; width. Returns what is wrong, a line each.
(() => {
  const problems = new Set();
  const wrong = (kind, text) => problems.add(`${kind}: ${text}`);
  const short = (text) => `“${text.replace(/\s+/g, ' ').trim().slice(0, 40)}”`;
  const named = (e) => e.dataset?.testid ? `[${e.dataset.testid}]` : `${e.tagName.toLowerCase()}.${(e.getAttribute('class') ?? '').split(' ').join('.')} ${short(e.getAttribute('aria-label') ?? e.textContent)}`;
  const root = document.documentElement;
  // Each element is asked once, and what it shares with its parents is theirs.
  const once = (ask) => {
    const kept = new Map();
    const asked = (e) => {
      if (!kept.has(e)) kept.set(e, ask(e));
      return kept.get(e);
    };
    asked.forget = () => kept.clear();
    return asked;
  };
  const style = once((e) => getComputedStyle(e));
  const hidden = once((e) => e !== null && (style(e).clipPath.startsWith('inset(50%') || e.classList.contains('skip') || hidden(e.parentElement)));
  const seen = once((e) => e.checkVisibility({ opacityProperty: true, visibilityProperty: true, contentVisibilityAuto: true }) && !hidden(e));
  const box = (r) => ({ left: r.left + scrollX, top: r.top + scrollY, right: r.right + scrollX, bottom: r.bottom + scrollY });
  const meet = (a, b) => ({ left: Math.max(a.left, b.left), top: Math.max(a.top, b.top), right: Math.min(a.right, b.right), bottom: Math.min(a.bottom, b.bottom) });
  const wide = (r) => r.right - r.left;
  const high = (r) => r.bottom - r.top;
  const some = (r, by = 0) => wide(r) > by && high(r) > by;
  const own = once((e) => box(e.getBoundingClientRect()));
  // What of a box the parents of an element let through.
  const all = { left: -Infinity, right: Infinity, top: -Infinity, bottom: Infinity };
  const gate = once((e) => {
    if (!e || e === document.body || e === root) return all;
    const { overflowX, overflowY } = style(e);
    const over = gate(e.parentElement);
    if (overflowX === 'visible' && overflowY === 'visible') return over;
    const b = own(e);
    return meet(over, { ...(overflowX === 'visible' ? all : { left: b.left, right: b.right }), ...(overflowY === 'visible' ? { top: -Infinity, bottom: Infinity } : { top: b.top, bottom: b.bottom }) });
  });
  const clipped = (r, e) => meet(r, gate(e));
  // What lies over the page on purpose is measured by itself.
  const layer = once((e) => !e ? null : style(e).position === 'fixed' || e.tagName === 'DIALOG' || e.matches('details[open] > .choices') ? e : layer(e.parentElement));
  const opacity = once((e) => !e ? 1 : Number(style(e).opacity) * opacity(e.parentElement));

  // Text boxes.
  const texts = [];
  const add = (text, r, e, more) => {
    r = clipped(r, e);
    if (some(r, 1)) texts.push({ text, ...r, e, layer: layer(e), ...more });
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const range = document.createRange();
  for (let n = walker.nextNode(); n; n = walker.nextNode()) {
    const e = n.parentElement;
    if (!n.textContent.trim() || e.closest('script, style, noscript, option, datalist') || !seen(e)) continue;
    range.selectNodeContents(n);
    const size = parseFloat(style(e).fontSize);
    if (size < 11.9) wrong('small', `${short(n.textContent)} is ${size} px`);
    for (const r of range.getClientRects()) {
      const spare = Math.max(0, (r.height - 0.9 * size) / 2);
      add(n.textContent, { ...box(r), top: r.top + scrollY + spare, bottom: r.bottom + scrollY - spare }, e, { size });
    }
  }
  const inked = (e) => style(e).opacity !== '0';
  for (const e of document.querySelectorAll('input:not([type=checkbox], [type=range], [type=file], [type=radio]), select, textarea')) {
    const value = e.tagName === 'SELECT' ? e.selectedOptions[0]?.textContent ?? '' : e.value || e.placeholder;
    if (!value || !seen(e) || !inked(e)) continue;
    const s = style(e);
    const r = own(e);
    const size = parseFloat(s.fontSize);
    const middle = (r.top + parseFloat(s.paddingTop) + r.bottom - parseFloat(s.paddingBottom)) / 2;
    add(value, { left: r.left + parseFloat(s.paddingLeft), right: r.right - parseFloat(s.paddingRight), top: middle - 0.45 * size, bottom: middle + 0.45 * size }, e, { size });
  }
  // Does a piece of a line go through a box? (Liang and Barsky)
  const through = ([x0, y0], [x1, y1], b) => {
    let from = 0, to = 1;
    for (const [d, q] of [[x0 - x1, x0 - b.left], [x1 - x0, b.right - x0], [y0 - y1, y0 - b.top], [y1 - y0, b.bottom - y0]]) {
      if (d === 0) {
        if (q < 0) return false;
      } else if (d < 0) from = Math.max(from, q / d);
      else to = Math.min(to, q / d);
    }
    return from < to;
  };
  for (const canvas of document.querySelectorAll('canvas')) {
    if (!seen(canvas) || !canvas.width) continue;
    const r = own(canvas);
    const by = wide(r) / canvas.width;
    const place = ([x, y]) => [r.left + x * by, r.top + y * by];
    const { words, lines } = window.__drawn(canvas);
    const written = words.map((w) => {
      const [left, top] = place([w.left, w.top]);
      const [right, bottom] = place([w.right, w.bottom]);
      if (left < r.left - 1 || right > r.right + 1 || top < r.top - 1 || bottom > r.bottom + 1) wrong('cut', `${short(w.text)} on a canvas reaches over its edge`);
      const t = { text: w.text, left, top, right, bottom, e: canvas, layer: layer(canvas), colour: w.colour, alpha: w.alpha, size: by * w.size, weight: w.weight };
      if (t.size < 11.9) wrong('small', `${short(t.text)} is ${t.size.toFixed(1)} px on a canvas`);
      texts.push(t);
      return t;
    });
    // Curves, not the grid.
    const grid = style(root).getPropertyValue('--faint').trim().toLowerCase();
    for (const { lines: strokes, within, colour, alpha } of lines) {
      if (String(colour).toLowerCase() === grid || alpha < 0.3) continue;
      const [[left, top], [right, bottom]] = within.map(place);
      const inside = { left, top, right, bottom };
      const near = written.map((t) => ({ t, b: meet({ left: t.left + 1, top: t.top + 1, right: t.right - 1, bottom: t.bottom - 1 }, inside) })).filter(({ b }) => some(b));
      if (!near.length) continue;
      const placed = strokes.map((points) => points.map(place));
      for (const { t, b } of near) {
        if (placed.some((points) => points.some((p, k) => k > 0 && through(points[k - 1], p, b)))) wrong('overprint', `${short(t.text)} lies over a curve (${colour})`);
      }
    }
  }

  // Overlaps, from top to bottom.
  texts.sort((a, b) => a.top - b.top);
  for (let i = 0; i < texts.length; i++) {
    const a = texts[i];
    for (let j = i + 1; j < texts.length && texts[j].top < a.bottom; j++) {
      const b = texts[j];
      if (a.layer !== b.layer || (a.e === b.e && a.e.tagName !== 'CANVAS') || !some(meet(a, b), 1)) continue;
      wrong('overlap', `${short(a.text)} and ${short(b.text)}`);
    }
  }

  // Width.
  const page = Math.max(root.scrollWidth, document.body.scrollWidth);
  if (page > innerWidth) wrong('width', `the page is ${page} wide on ${innerWidth}`);
  for (const t of texts) if (t.right > innerWidth + 1 || t.left < -1) wrong('width', `${short(t.text)} reaches from ${t.left.toFixed(0)} to ${t.right.toFixed(0)} on ${innerWidth}`);

  // Targets: 44 px, or so much room about their middle that no other is met there. Phrases stand in a sentence, which
  // sets their height (WCAG 2.2, 2.5.5 and 2.5.8, exception inline).
  const targets = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [role=button], [role=slider], [tabindex="0"]')]
    .filter((e) => seen(e) && inked(e) && !e.disabled && !e.matches('.phrase, .term, p a, p button, .plot, [type=file]'))
    .map((e) => {
      const label = e.matches('input') ? e.closest('label') : null; // the words beside a box are touched as well
      const r = clipped(own(e.closest('.field') ?? label ?? e), e);
      return { e, r, layer: layer(e) };
    }).filter((t) => some(t.r, 1));
  for (const t of targets) {
    const [halfWide, halfHigh] = [Math.max(0, 22 - wide(t.r) / 2), Math.max(0, 22 - high(t.r) / 2)];
    if (halfWide < 0.3 && halfHigh < 0.3) continue;
    const room = { left: t.r.left - halfWide + 0.5, right: t.r.right + halfWide - 0.5, top: t.r.top - halfHigh + 0.5, bottom: t.r.bottom + halfHigh - 0.5 };
    for (const o of targets) {
      if (o === t || o.layer !== t.layer || o.e.contains(t.e) || t.e.contains(o.e)) continue;
      const m = meet(room, o.r);
      if (some(m)) wrong('target', `${named(t.e)}, ${wide(t.r).toFixed(0)} × ${high(t.r).toFixed(0)}, has ${named(o.e)} ${Math.min(wide(m), high(m)).toFixed(0)} px within its 44`);
    }
  }
  for (const e of document.querySelectorAll('.field input')) {
    if (seen(e) && !e.disabled && high(own(e)) < 31.5) wrong('field', `${named(e)} is ${high(own(e)).toFixed(0)} px high`);
  }

  // Contrast (WCAG 2.2, 1.4.3, 1.4.6): AAA for the verdict and the big numbers.
  const probe = Object.assign(document.createElement('canvas'), { width: 1, height: 1 }).getContext('2d', { willReadFrequently: true });
  const rgba = once((colour) => {
    probe.clearRect(0, 0, 1, 1);
    probe.fillStyle = colour;
    probe.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = probe.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  });
  const over = (top, under) => [0, 1, 2].map((k) => top[k] * top[3] + under[k] * (1 - top[3])).concat(1);
  const ground = once((e) => {
    const paint = rgba(style(e ?? root).backgroundColor);
    return !e || paint[3] === 1 ? paint : over(paint, e === root ? rgba('#fff') : ground(e.parentElement));
  });
  const linear = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const luminance = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
  const contrast = (a, b) => {
    const [x, y] = [luminance(a), luminance(b)];
    return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
  };
  for (const t of texts) {
    const s = style(t.e);
    const canvas = t.e.tagName === 'CANVAS';
    if (s.backgroundImage !== 'none' || t.e.disabled) continue; // WCAG leaves out what cannot be used
    const under = ground(t.e);
    const svg = t.e instanceof SVGElement;
    const ink = [...rgba(canvas ? t.colour : svg ? s.fill : s.webkitTextFillColor)];
    ink[3] *= opacity(t.e) * (canvas ? t.alpha : 1);
    const bold = (canvas ? t.weight : Number(s.fontWeight)) >= 700;
    const large = t.size >= 24 || (bold && t.size >= 18.66);
    const first = !canvas && t.e.closest('.headline, .sentence, .big') && !t.e.closest('.unit');
    const least = first ? (large ? 4.5 : 7) : large ? 3 : 4.5;
    const found = contrast(over(ink, under), under);
    if (found < least - 0.005) wrong('contrast', `${short(t.text)} has ${found.toFixed(2)}, want ${least}`);
  }

  // Rings of focus, none cut.
  const brass = `rgb(${rgba(style(root).getPropertyValue('--brass').trim()).slice(0, 3).join(', ')})`;
  // Where things are is asked before, for each ring would have all laid out anew; what then looks cut may have
  // made room for itself, and is asked again.
  const focusable = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, [tabindex="0"]')].filter((e) => seen(e) && !e.disabled && !e.matches('[type=file]'));
  for (const e of focusable) [own(e), gate(e.parentElement)];
  for (const e of focusable) {
    e.focus({ preventScroll: true, focusVisible: true });
    if (document.activeElement !== e) continue;
    const s = getComputedStyle(e);
    const drawn = (c) => c.outlineStyle !== 'none' && parseFloat(c.outlineWidth) >= 2;
    if (!drawn(s)) {
      const stroked = (c) => c.stroke === brass && parseFloat(c.strokeWidth) >= 2;
      if (![...e.querySelectorAll('*')].map((c) => getComputedStyle(c)).some((c) => drawn(c) || stroked(c))) wrong('focus', `${named(e)} has no ring`);
      continue;
    }
    const by = parseFloat(s.outlineWidth) + parseFloat(s.outlineOffset);
    const ringOf = (r) => ({ left: r.left - by, top: r.top - by, right: r.right + by, bottom: r.bottom + by });
    const cutOf = (ring, through) => {
      const rest = meet(ring, through);
      return Math.max(rest.left - ring.left, rest.top - ring.top, ring.right - rest.right, ring.bottom - rest.bottom);
    };
    if (!some(clipped(own(e), e.parentElement), 1)) continue;
    let ring = ringOf(own(e));
    let cut = cutOf(ring, gate(e.parentElement));
    if (cut > 0.5) {
      [own, gate].forEach((asked) => asked.forget());
      ring = ringOf(own(e));
      cut = cutOf(ring, gate(e.parentElement));
    }
    if (cut > 0.5) wrong('focus', `the ring of ${named(e)} is cut by ${cut.toFixed(1)} px`);
    if (ring.left < -0.5 || ring.right > innerWidth + 0.5) wrong('focus', `the ring of ${named(e)} leaves the page`);
  }
  document.activeElement?.blur();
  return [...problems];
})()
