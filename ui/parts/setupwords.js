// @ts-check
// What the steps of setting up come to, in a sentence or two.

import { lead } from '../core/headline.js';

/** One sentence over all steps. @param {import('../core/types.js').Setup} setup @returns {{mark: 'steady'|'attention'|'act', headline: string, text: string}} */
export function sum({ text, checks, changeable, source }) {
  const todo = checks.find((c) => c.mark === 'act');
  const look = checks.filter((c) => c.mark === 'attention');
  const waits = checks.find((c) => c.mark === 'steady' && c.certainty === 'cannot tell');
  if (!changeable) return { mark: todo ? 'act' : 'steady', headline: 'The source is virtual.', text: `${text}${todo ? ` ${todo.text}` : ''}` };
  if (!source) return { mark: 'act', headline: 'No source yet: choose a device.', text: text || (checks[0]?.text ?? '') };
  if (text) return { mark: 'attention', headline: lead(text), text: lead(text).length < text.length ? text : '' };
  if (todo) return { mark: 'act', headline: lead(todo.text), text: lead(todo.text).length < todo.text.length ? todo.text : '' };
  if (waits) return { mark: 'steady', headline: 'Listening: play the programme.', text: 'Each step gets its tick as soon as it can be told.' };
  if (look.length) return { mark: 'attention', headline: `Ready to measure, with ${look.length === 1 ? 'one thing' : `${look.length} things`} to look at.`, text: look[0].text };
  return { mark: 'steady', headline: 'Ready to measure.', text: 'All steps have their tick. What you chose is kept with the device.' };
}
