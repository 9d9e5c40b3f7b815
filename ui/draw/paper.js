// @ts-check
// Ink for what is taken away: paper is always light. Curves have 4.5:1 on it, as on the daylight ground.

export const PAPER = Object.freeze({
  ground: '#ffffff', ink: '#14181c', quiet: '#4a535b', rule: '#868d93', faint: '#dcdad2', brass: '#7a5a00', outside: '#f1efe8', curves: ['#0072b2', '#b34e00', '#00775a', '#a3507a'],
});
