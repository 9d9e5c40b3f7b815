// @ts-check
// A dialog: in the middle on a laptop, from below on a phone.

import { el } from '../core/dom.js';

/**
 * @param {string} title
 * @param {Node} content goes back to where it came from when the sheet closes, if it came from somewhere
 */
export function openSheet(title, content) {
  const home = content.parentNode;
  const mark = document.createComment('');
  if (home) home.replaceChild(mark, content);
  const close = el('button', { type: 'button', text: 'Close', onclick: () => dialog.close() });
  const dialog = el('dialog', { class: 'sheet', 'aria-label': title }, el('header', {}, el('h2', { text: title }), close), content);
  dialog.addEventListener('click', (e) => {
    if (e.target === dialog) dialog.close();
  });
  dialog.addEventListener('close', () => {
    if (home) home.replaceChild(content, mark);
    const notices = dialog.querySelector('.notices');
    if (notices) document.body.append(notices);
    dialog.remove();
  });
  document.body.append(dialog);
  dialog.showModal();
  return dialog;
}
