// @ts-check
// The shapes of what is said: ✓ there is nothing to do, ▲ look, ◆ do something. How sure
// that is, a word says. A disc and a square mean record and stop elsewhere.

export const MARKS = { steady: '✓', attention: '▲', act: '◆' };
