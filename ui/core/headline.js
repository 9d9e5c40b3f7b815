// @ts-check
// Headlines: what happened and what to do, read in two seconds.

export const HEADLINE_MAX = 70; // characters, as the daemon's

/** The headline of a text that has none of its own: its first sentence, or as much of it as fits. @param {string} text */
export function lead(text) {
  const [first] = text.split(/(?<=[.?]) /);
  const letters = [...first];
  if (letters.length <= HEADLINE_MAX) return first;
  const short = letters.slice(0, HEADLINE_MAX - 1).join('');
  const end = Math.max(...[...':;,'].map((c) => short.lastIndexOf(c)));
  return end > 0 ? `${short.slice(0, end)}.` : `${short}…`;
}

/** The first of several wordings that fits, as much as fits of the last. @param {string[]} wordings the fullest first */
export const fitting = (...wordings) => wordings.find((w) => [...w].length <= HEADLINE_MAX) ?? lead(wordings[wordings.length - 1]);

/** A finding about something with a name; the name is cut where both are too long. @param {string} name @param {string} finding */
export function fit(name, finding) {
  const room = HEADLINE_MAX - [...finding].length - 2;
  if (room < 4) return finding;
  const letters = [...name];
  return `${letters.length <= room ? name : `${letters.slice(0, room - 1).join('')}…`}: ${finding}`;
}
