// @ts-check
// A sound of this browser's own for an alarm: off until somebody switches it on.

const KEY = 'plumbline.chime';
/** @type {AudioContext|null} */
let context = null;
let on = false;
try {
  on = localStorage.getItem(KEY) === 'on';
} catch {
  // It lasts as long as the page.
}

export const chimes = () => on;

/** By a press, without which browsers play nothing. @param {boolean} wanted */
export function setChime(wanted) {
  on = wanted;
  try {
    localStorage.setItem(KEY, wanted ? 'on' : 'off');
  } catch {
    // As above.
  }
  if (wanted) chime();
}

/** Two short tones, quiet enough beside headphones. */
export function chime() {
  if (!on || !navigator.userActivation.hasBeenActive) return; // before the first press browsers play nothing
  context ??= new AudioContext();
  void context.resume();
  const gain = context.createGain();
  gain.gain.value = 0.08;
  gain.connect(context.destination);
  for (const [hz, after] of [[660, 0], [880, 0.18]]) {
    const tone = context.createOscillator();
    tone.frequency.value = hz;
    tone.connect(gain);
    tone.start(context.currentTime + after);
    tone.stop(context.currentTime + after + 0.15);
  }
}
