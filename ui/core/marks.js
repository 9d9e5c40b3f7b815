// @ts-check
// The shapes of what is said: ✓ there is nothing to do, … wait, ▲ look, ◆ do something. How
// sure that is, a word says. A disc and a square mean record and stop elsewhere.

export const MARKS = { steady: '✓', attention: '▲', act: '◆' };

/** What cannot be told is not all well, though nobody has to do anything. @param {keyof typeof MARKS} mark @param {string} certainty */
export const glyph = (mark, certainty) => (mark === 'steady' && certainty === 'cannot tell' ? '…' : MARKS[mark]);
