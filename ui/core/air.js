// @ts-check

/** Speed of sound in air, m/s. ISO 9613-1: 343.2 √(T / 293.15 K). @param {number} celsius */
export const speedOfSound = (celsius) => 343.2 * Math.sqrt((celsius + 273.15) / 293.15);
