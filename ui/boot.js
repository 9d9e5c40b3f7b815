// @ts-check
// Runs before the first paint: the ground the operator chose last, and the clock of the first frame.
(() => {
  performance.mark('plumbline:boot');
  try {
    const ground = localStorage.getItem('plumbline.ground');
    if (ground === 'dark' || ground === 'light') document.documentElement.dataset.ground = ground;
  } catch {
    // Storage may be forbidden; the system's ground is as good.
  }
})();
