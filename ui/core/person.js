// @ts-check
// What the person at this page is called on the others: kept by the browser.

export const MOST_LETTERS = 24;

export function personName() {
  try {
    return localStorage.getItem('plumbline.name') ?? '';
  } catch {
    return '';
  }
}

/** @param {string} name */
export function setPersonName(name) {
  try {
    localStorage.setItem('plumbline.name', name);
  } catch {
    // It lasts as long as the page.
  }
}
