// @ts-check
// The address bar is the state of the view: reloading and sharing bring back what one saw.

/** @type {URLSearchParams} */
let params = new URLSearchParams(location.search);
let timer = 0;
addEventListener('popstate', () => (params = new URLSearchParams(location.search)));
addEventListener('pagehide', () => timer && write());

/** @param {string} key @param {string} fallback */
export function text(key, fallback) {
  return params.get(key) ?? fallback;
}

/** @param {string} key @param {number} fallback */
export function number(key, fallback) {
  const value = params.get(key);
  return value !== null && value !== '' && Number.isFinite(Number(value)) ? Number(value) : fallback;
}

/** Ascending pair such as 20..2000. @param {string} key @returns {[number, number]|null} */
export function range(key) {
  const match = /^(-?[\d.]+)\.\.(-?[\d.]+)$/.exec(params.get(key) ?? '');
  return match && Number(match[1]) < Number(match[2]) ? [Number(match[1]), Number(match[2])] : null;
}

/** @param {string} key @param {string|number|[number, number]|null} value null removes it */
export function set(key, value) {
  if (value === null) params.delete(key);
  else if (Array.isArray(value)) params.set(key, value.map((v) => Number(v.toPrecision(5))).join('..'));
  else params.set(key, String(typeof value === 'number' ? Number(value.toPrecision(5)) : value));
  clearTimeout(timer);
  timer = window.setTimeout(write, 300); // browsers refuse more than a few writes a second
}

/** The present view as a query, for links to other pages. */
export function query() {
  const q = params.toString().replaceAll('%2C', ',');
  return q ? `?${q}` : '';
}

function write() {
  clearTimeout(timer);
  timer = 0;
  history.replaceState(history.state, '', location.pathname + query());
}

/** Another page, same view. @param {string} path */
export function go(path) {
  clearTimeout(timer);
  history.pushState(null, '', path + query());
}
