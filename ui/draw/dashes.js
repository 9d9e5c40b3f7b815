// @ts-check
// How curves of one colour are told apart, and which ink and dashes the number of a stored trace has: everywhere the same.

export const DASHES = [[], [9, 4], [2, 3], [9, 3, 2, 3]];

/** @param {number} number of a trace */
export const inkOf = (number) => number % 4;

/** The live one alone is drawn in one piece. @param {number} number of a trace */
export const dashOf = (number) => DASHES[1 + (Math.floor(number / 4) % 3)];
