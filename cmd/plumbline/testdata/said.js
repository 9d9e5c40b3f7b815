// What the pages say whose sentences are their own: a line of its case, what is marked, the headline and all of the rest.
(async () => {
  const align = await import('/parts/alignwords.js');
  const shows = await import('/parts/showwords.js');
  const walk = await import('/parts/walkwords.js');
  const setting = await import('/parts/setupwords.js');
  const { lead } = await import('/core/headline.js');
  const out = [];
  const say = (page, what, { mark, certainty, headline, parts, text }) =>
    out.push({ page, what, mark, certainty: certainty ?? '', headline: headline ?? lead(text), text: parts ? parts.map((p) => p.text).join('') : text });

  // What is wrong stands under the headline of every page.
  const { trouble } = await import('/parts/verdict.js');
  const wrong = (what, source) => say('trouble', what, { headline: trouble({ status: { open: true, stale: false, lastMs: 1 }, state: { source }, levels: null }) });
  wrong('a recording that cannot be read on', { kind: 'file', state: 'failed', text: 'hall.wav is damaged: export it again' });

  // Align.
  const hello = {}, state = {};
  const session = { hello, state, show: { name: 'rehearsal' }, rig: null, survey: null };
  const ledger = (change) => ['level', 'spectrum', 'phase', 'time', 'polarity', 'rest'].map((cause) => ({ cause, change_db: change[cause] ?? 0 }));
  const seat = { seat: 1, name: 'stalls', gain_over_louder_db: 1.9, gain_low_db: 1.8, gain_high_db: 2, ideal_gain_db: 6.02, offset_ms: 5.25, polarity: 'opposite', level_a_db: -20, level_b_db: -23, predicted: false, ledger: ledger({ time: -1.5, level: -1.4, phase: -1.2 }) };
  const promise = { worth: true, text: 'The plan gives 0.8 dB more over 2 seats.', change_db: 0.8, adds_up_to_hz: 0 };
  const answer = { plan: { follows_arrivals: false, low_db: -3.5, high_db: -3.3 }, seats: [seat, { ...seat, seat: 2, name: 'balcony' }], reasons: [], missing: [], promise, certainty: 'sure', cycles: [], band_hz: [63, 8000] };
  const shelf = { known: true, loudspeakers: [{}, {}], takes: [{ id: 1, loudspeakers: [1] }] };
  const model = { settled: true, answer, stored: null, isStored: false, main: 'main', fill: 'fill', plan: { delayMs: 5 }, seat, account: seat, worst: seat, dialled: () => false };
  const one = (what, m = {}, s = {}, sh = {}) => say('align', what, align.words({ ...model, ...m }, { ...shelf, ...sh }, { ...session, ...s }));
  const with_ = (a) => ({ answer: { ...answer, ...a } });
  const at = (x) => ({ account: { ...seat, ...x } });
  one('not connected', {}, { hello: null });
  one('no show is kept', {}, { show: undefined });
  one('no show is open', {}, { show: null });
  one('reading', { settled: false });
  one('a survey runs', {}, { survey: { state: 'measuring', text: 'Measuring main alone at stalls, 40 Hz to 16 kHz: about 4 s left. Next: fill alone.' } });
  one('one loudspeaker', {}, {}, { loudspeakers: [{}] });
  one('nothing measured', with_({ plan: null }));
  one('no seat', { ...with_({ plan: null }), seat: null });
  one('nothing measured, long names', { ...with_({ plan: null }), seat: { ...seat, name: 'second balcony, centre of row fourteen, house left of the aisle' } });
  one('they cannot be compared', with_({ plan: null, reasons: ['Both takes of stalls are of main.'] }));
  one('they cannot be compared, long names', { ...with_({ plan: null, reasons: ['The two share no band.'] }), main: 'left main hang with its ground stacked subs', fill: 'under-balcony delays' });
  one('time is the most of it');
  one('the fill comes first', at({ offset_ms: -5.25 }));
  one('time that the plan leaves', { ...at({ offset_ms: 5.25 }), plan: { delayMs: -5 } });
  one('time at this seat only', { plan: { delayMs: 5 }, ...at({ offset_ms: 0.4 }) });
  one('level', at({ ledger: ledger({ level: -4, time: -0.1 }) }));
  one('level, the main is quieter', at({ level_a_db: -26, ledger: ledger({ level: -4 }) }));
  one('polarity', at({ ledger: ledger({ polarity: -3.5 }) }));
  one('polarity at this delay', at({ polarity: 'same', ledger: ledger({ polarity: -3.5 }) }));
  one('phase', at({ ledger: ledger({ phase: -3.5 }) }));
  one('spectrum', at({ ledger: ledger({ spectrum: -3.5 }) }));
  one('the rest', at({ ledger: ledger({ rest: -3.5 }) }));
  one('nothing is missing', { ...at({ gain_over_louder_db: 6, ledger: ledger({}) }), ...with_({ promise: { ...promise, worth: false, text: 'No delay or polarity does better.', change_db: 0 } }) });
  one('they lose', at({ gain_over_louder_db: -2.3 }));
  one('predicted', at({ predicted: true }));
  one('likely', at({ gain_low_db: 0.9, gain_high_db: 2.9 }));
  one('cannot tell', at({ gain_low_db: -1.5, gain_high_db: 5 }));
  one('heads', with_({ promise: { ...promise, adds_up_to_hz: 1120 } }));
  one('heads, low', with_({ promise: { ...promise, adds_up_to_hz: 433 } }));
  one('it only evens out', with_({ promise: { ...promise, change_db: 0.1, text: 'The plan evens the sum out; balcony loses 0.5 dB by it.' } }));
  one('a take is missing', with_({ missing: ['both at balcony'], promise: { ...promise, worth: false, text: 'No delay or polarity does better.' } }));
  one('another cycle', with_({ certainty: 'cannot tell', cycles: [{}] }));
  one('another cycle, less likely', with_({ certainty: 'likely', cycles: [{}] }));
  one('noise', with_({ certainty: 'likely' }));
  one('noise hides the phases', with_({ certainty: 'likely', plan: { follows_arrivals: true } }));
  const stored = (verified) => ({ stored: { verified }, dialled: () => verified !== null });
  one('kept', { stored: { verified: [] }, isStored: true });
  one('dialled in', stored([]));
  one('dialled in, long name', { ...stored([]), ...with_({ seats: [{ ...seat, name: 'second balcony, centre of row fourteen, house left of the aisle' }] }) });
  const proof = { seat: 1, seat_name: 'stalls', take: 9, pass: true, difference_db: 0.12, text: 'Stalls passes: together they are 4.2 dB above the louder one, predicted 4.1 dB.' };
  one('holds at one of two', stored([proof]));
  one('holds', stored([proof, { ...proof, seat: 2, seat_name: 'balcony' }]));
  one('misses', stored([{ ...proof, pass: false, difference_db: -2.4, text: 'Stalls fails: together they are 1.7 dB above the louder one, predicted 4.1 dB.' }]));
  one('not proven', stored([{ ...proof, pass: false, difference_db: null, text: 'Stalls is not proven: too noisy.' }]));
  one('surveyed anew since', stored([proof]), {}, { takes: [{ id: 1, loudspeakers: [1] }, { id: 10, loudspeakers: [1] }] });

  // Walk.
  const wanted = [['main'], ['fill'], ['main', 'fill']];
  const balcony = { id: 2, name: 'balcony' };
  const rear = { id: 3, name: 'second balcony, centre of row fourteen, house left of the aisle' };
  const times = [{ loudspeaker: 'main', ms: 33.02 }, { loudspeaker: 'fill', ms: 38.33 }];
  const four = (what, { lacks = [], at = {}, s = {}, m = {}, astray = null, ...w } = {}, sh = {}) => say('walk', what, walk.words({ wanted, here: { id: 1, name: 'stalls' }, next: balcony, found: null, lacks: (x) => (x.id === 1 ? lacks : wanted), ...w },
    { ...model, answer: { ...answer, seats: [{ ...seat, ...at }] }, ...m }, { ...shelf, seatName: () => 'stalls', ...sh }, { status: { open: true }, ...session, ...s }, astray));
  const sounds = (x) => ({ s: { survey: { seat: 1, playing: ['main'], text: 'Measuring main alone at stalls, 40 Hz to 16 kHz: about 8 s to go. Next: fill alone.', ...x } } });
  four('not connected yet', { s: { hello: null } });
  four('no network', { s: { status: { open: false, lastMs: Date.UTC(2026, 0, 2, 20, 15, 0) + 60000 * new Date(Date.UTC(2026, 0, 2)).getTimezoneOffset() } } });
  four('no show is kept', { s: { show: undefined } });
  four('no show is open', { s: { show: null } });
  four('reading', {}, { known: false });
  four('no loudspeakers', {}, { loudspeakers: [] });
  four('no seat', { here: null });
  four('nothing measured', { lacks: wanted });
  four('nothing measured, long name', { here: rear });
  four('some is measured', { lacks: wanted.slice(1) });
  four('it sounds', sounds({ state: 'measuring' }));
  four('both sound', sounds({ state: 'ramping', playing: ['main', 'fill'], text: 'Main and fill together: the test signal rises to -20 dBFS in 3 s.' }));
  four('it is stored', sounds({ state: 'storing', text: 'Sound off. Storing fill alone at stalls. Next: main and fill together.' }));
  four('it stopped', { ...sounds({ state: 'stopped', text: 'Sound off: the page that started it does not answer. One take was stored and stays.' }), lacks: wanted.slice(1) });
  four('it failed', { ...sounds({ state: 'failed', text: 'Sound off: the reference on channel 1 is silent: lead the test signal back into it and try again. Nothing was stored.' }), lacks: wanted });
  four('measured');
  four('measured, and on', { here: balcony, found: { id: 1, name: 'stalls' } });
  four('measured, next name is long', { next: rear });
  four('elsewhere', { astray: { seat: { id: 1, name: 'stalls' }, found: balcony, times } });
  four('elsewhere, long names', { astray: { seat: { id: 1, name: 'stalls' }, found: rear, times } });
  four('not there', { astray: { seat: { id: 1, name: 'stalls' }, found: null, times } });
  four('not there, long name', { here: rear, lacks: [], astray: { seat: rear, found: null, times: times.slice(1) } });
  four('said of another seat', { astray: { seat: balcony, found: null, times } });
  four('inverted', { at: { ledger: ledger({ polarity: -3.5 }) } });
  four('they lose', { at: { gain_over_louder_db: -2.3 } });
  four('too noisy', { at: { gain_low_db: -1.5, gain_high_db: 5 } });
  four('cannot be compared', { m: with_({ seats: [], reasons: ['The two share no band.'] }) });
  four('all seats', { next: null });
  four('all seats, nothing to gain', { next: null, m: with_({ promise: { ...promise, worth: false, text: 'No delay or polarity does better.' } }) });

  // Show.
  const name = () => 'main + fill, balcony';
  const take = { id: 3, seat: 2, at: '2026-01-02T20:15:00' };
  const full = { takes: [{ ...take, id: 1, seat: 1 }, take], seats: [{}, {}, {}], plans: [] };
  const two = (what, s = {}, sh = {}) => say('show', what, shows.words({ ...session, ...s }, { ...full, ...sh }, name));
  const plan = (x) => ({ plans: [{ body: { main: 'main', fill: 'fill', seats: [{}, {}], verified: [], dialled: false, ...x } }] });
  two('not connected', { state: null });
  two('no show is kept', { show: undefined });
  two('no show is open', { show: null });
  two('nothing measured', {}, { takes: [] });
  two('one take', {}, { takes: [take] });
  two('takes');
  two('a plan', {}, plan({}));
  two('a plan is dialled in', {}, plan({ dialled: true }));
  two('it holds', {}, plan({ dialled: true, verified: [proof] }));
  two('it does not', {}, plan({ dialled: true, verified: [proof, { ...proof, pass: false, text: 'Balcony fails: together they are 1.7 dB above the louder one, predicted 4.1 dB.' }] }));

  // Set up.
  const check = (mark, certainty, text) => ({ name: 'level', mark, certainty, text });
  const ticks = [check('steady', 'sure', 'Stage box is open at 48 kHz; 2 inputs are heard.')];
  const three = (what, x) => say('setup', what, setting.sum({ text: '', changeable: true, source: {}, checks: ticks, ...x }));
  three('virtual', { changeable: false, text: 'The source is the virtual rig: what hangs on each channel is as its scene says, and there is nothing to connect.' });
  three('no source', { source: null, checks: [check('act', 'sure', 'Choose the device that the reference and the microphone are connected to.')] });
  three('not what was chosen', { text: 'Stage box is not there any more: computer is measured in its place.' });
  three('to do', { checks: [check('act', 'sure', 'Input 2 is silent: is the microphone connected, and has it its power?')] });
  three('to do, at length', { checks: [check('act', 'sure', 'Output 3 comes back on input 2, which is a microphone, and not on input 1, the reference: swap the cables, or make input 2 the reference.')] });
  three('listening', { checks: [...ticks, check('steady', 'cannot tell', 'Listening.')] });
  three('one thing to look at', { checks: [...ticks, check('attention', 'likely', 'Stalls (input 2) is not calibrated, so its levels are in dBFS: put a calibrator on it, or go on without sound pressure levels.')] });
  three('two things', { checks: [...ticks, check('attention', 'likely', 'Too low to measure well: turn stalls (input 2) up by 20 dB.'), check('attention', 'likely', 'Stalls (input 2) is not calibrated.')] });
  three('ready', {});
  return out;
})()
