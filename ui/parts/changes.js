// @ts-check
// What someone else changed, in words.

import { fixed } from '../core/format.js';

/** @typedef {import('../core/types.js').State} State */
/** @typedef {import('../core/types.js').Settings} Settings */

/**
 * @param {Settings} before
 * @param {Settings} after
 * @param {(channel: number) => string} name of a channel
 * @returns {string} empty when nothing that people set has changed
 */
export function difference(before, after, name) {
  const said = [];
  const a = after.averaging;
  if (JSON.stringify(before.averaging) !== JSON.stringify(a)) {
    const how = { time: `${a.seconds} s`, count: `${a.count} averages`, infinite: 'all since the start', until: `until within ±${a.within_db} dB` };
    said.push(`averaging ${how[a.mode]}`);
  }
  if (before.smoothing !== after.smoothing) said.push(`smoothing 1/${after.smoothing} octave`);
  if (before.window !== after.window) said.push(after.window === 'multi' ? 'window multi' : `window ${after.window} samples`);
  if (before.hold !== after.hold) said.push(after.hold ? 'hold' : 'running again');
  if (before.temperature_c !== after.temperature_c) said.push(`air ${fixed(after.temperature_c, 1)} °C`);
  if (before.reference !== after.reference) said.push(`reference ${name(after.reference)}`);
  if (before.microphones.join() !== after.microphones.join()) said.push(`microphones ${after.microphones.map(name).join(', ')}`);
  for (const d of after.delay) {
    const old = before.delay.find((o) => o.microphone === d.microphone);
    if (!old || (old.mode === d.mode && (d.mode === 'auto' || old.ms === d.ms))) continue;
    said.push(d.mode === 'auto' ? `delay of ${name(d.microphone)} found again` : `delay of ${name(d.microphone)} ${fixed(d.ms, 2)} ms`);
  }
  return said.join(', ');
}
