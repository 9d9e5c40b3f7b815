// @ts-check
// What a show holds, in a sentence or two, and what to do next.

/** @typedef {import('../core/types.js').StoredPlan} StoredPlan */
/** @typedef {{mark: ''|'steady'|'attention'|'act', certainty: string, text: string}} Says */

/**
 * @param {import('../core/session.js').Session} session
 * @param {import('./shelf.js').Shelf} shelf
 * @param {(take: number) => string} name of a take
 * @returns {Says}
 */
export function words({ show, hello, state }, { takes, seats, plans }, name) {
  if (!hello || !state) return { mark: '', certainty: '', text: 'Waiting for the daemon.' };
  if (show === undefined) return { mark: 'attention', certainty: '', text: 'This daemon keeps no show: start it with --show FILE. Takes, plans and notes are kept then.' };
  if (show === null) return { mark: 'attention', certainty: '', text: 'No show is open: open one, or make one.' };
  if (!takes.length) return { mark: 'attention', certainty: '', text: 'Nothing is measured yet: survey the seats on Align, or import a response.' };
  const at = new Set(takes.map((t) => t.seat).filter(Boolean));
  const last = takes[takes.length - 1];
  const newest = `The newest: ${name(last.id)}, ${new Date(last.at).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', hour12: false })}.`;
  const plan = /** @type {StoredPlan|undefined} */ (plans.at(-1)?.body);
  const count = `${show.name}: ${takes.length} ${takes.length === 1 ? 'take' : 'takes'} at ${at.size} of ${seats.length} seats.`;
  // What fails comes first.
  if (plan?.verified?.some((v) => !v.pass)) return { mark: 'act', certainty: '', text: [planWords(plan), count].join(' ') };
  return { mark: 'steady', certainty: '', text: [count, plan?.main ? planWords(plan) : newest].join(' ') };
}

/** @param {StoredPlan} plan */
function planWords(plan) {
  const passed = plan.verified.filter((v) => v.pass).length;
  const failed = plan.verified.find((v) => !v.pass);
  if (failed) return failed.text;
  if (passed) return `The plan for ${plan.fill} is dialled in and holds at ${passed} of ${plan.seats.length} seats.`;
  return plan.dialled ? `The plan for ${plan.fill} is dialled in. Next: verify it on the Align page.` : `The plan for ${plan.fill} is kept. Next: dial it in and verify it on the Align page.`;
}
