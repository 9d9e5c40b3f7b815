// @ts-check
// How large type is: all sizes of the style sheets hang on that of the root, which grows with the screen, and what is
// drawn on canvases grows with them.

let known = 0;

/** CSS pixels that one pixel of a laptop's layout becomes: 1 there, more on a larger screen. */
export function unit() {
  return (known ||= parseFloat(getComputedStyle(document.documentElement).fontSize) / 16);
}

// Before anything measures itself: whoever observes sizes is told after this.
addEventListener('resize', () => {
  known = 0;
}, { capture: true });
