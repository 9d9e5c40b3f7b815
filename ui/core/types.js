// @ts-check
// What goes over the wire, as the daemon documents it. Types only.

/**
 * @typedef {{mode: 'time'|'count'|'infinite'|'until', seconds: number, count: number,
 *   within_db: number, low_hz: number, high_hz: number}} Averaging
 * @typedef {{microphone: number, mode: 'auto'|'fixed', ms: number}} Delay
 * @typedef {{reference: number, microphones: number[], window: 'multi'|number, averaging: Averaging,
 *   smoothing: number, delay: Delay[], hold: boolean, temperature_c: number}} Settings
 * @typedef {{kind: string, name: string, rate_hz: number, channels: string[],
 *   state: 'starting'|'running'|'stalled'|'lost'|'ended', text: string}} Source
 * @typedef {{done: boolean, width_db: number|null, left_s: number|null}} Progress
 * @typedef {{epoch: number, source: Source, settings: Settings, counters: Record<string, number>,
 *   progress?: Progress, changed_by: string}} State
 *
 * @typedef {{text: string, about?: string}} Part
 * @typedef {{microphone: number, text: string, parts: Part[], certainty: string,
 *   mark: 'steady'|'attention'|'act', delay_reason: string, polarity_reason: string}} Verdict
 *
 * @typedef {[number, number, number]} Position  metres: x along, y across, z up
 * @typedef {{name: string, role: string, position_m: Position, delay_ms: number, gain_db: number,
 *   polarity: 'same'|'opposite', mute: boolean, low_hz: number, high_hz: number,
 *   high_reversed?: boolean}} Loudspeaker
 * @typedef {{name: string, position_m: Position}} Microphone
 * @typedef {{name: string, temperature_c: number, room: {size_m: Position},
 *   loudspeakers: Loudspeaker[], microphones: Microphone[], changed_by: string}} Rig
 *
 * @typedef {{client: string, epoch: number, rate_hz: number, grid: number[]}} Hello
 * @typedef {(number|null)[]} Values  null is unknown
 *
 * @typedef {{name: string, file: string, made_at: string, revision: number, loudspeakers: number, seats: number,
 *   takes: number, plans: number, notes: number, size_bytes: number}} Show
 * @typedef {{id: number, name: string, role: string, channel: number, note: string}} Box  a loudspeaker of the show
 * @typedef {{id: number, name: string, position_m: Position|null, note: string}} Seat
 * @typedef {{delay_ms: number, delay_sd_ms: number|null, distance_m: number, level_db: number, polarity: string}} ArrivalOfTake
 * @typedef {{id: number, at: string, by: string, name: string, note: string, seat: number, loudspeakers: number[],
 *   origin: 'measured'|'imported', source: string, reference: number, microphone: number, sample_rate_hz: number,
 *   window: 'multi'|number, delay_ms: number, averaged_s: number, temperature_c: number, settings: any,
 *   results: {delay_sd_ms: number|null, polarity: {verdict: string, confidence: number|null, reason: string},
 *     arrivals: ArrivalOfTake[], levels: {peak_dbfs: number|null, rms_dbfs: number|null}|null},
 *   points: number, audio: {sample_rate_hz: number, channels: number[], frames: number}}} Take
 * @typedef {{id: number, at: string, name: string, body: StoredPlan, note: string}} PlanItem
 * @typedef {{id: number, at: string, by: string, kind: string, item: number, text: string}} Note
 * @typedef {{take: number, delay_ms: number, frequency_hz: number[], magnitude_db: Values, magnitude_low_db: Values,
 *   magnitude_high_db: Values, phase_deg: Values, phase_error_deg: Values, coherence: Values, threshold: Values}} TakeCurve
 *
 * @typedef {{plan: number, seat: number, seat_name: string, take: number, time: string, pass: boolean, text: string,
 *   band_hz: number[], predicted_db: number|null, measured_db: number|null, difference_db: number|null,
 *   low_db: number|null, high_db: number|null, frequency_hz: number[], predicted_magnitude_db: Values,
 *   measured_magnitude_db: Values}} Verification
 * @typedef {{state: 'idle'|'ramping'|'measuring'|'storing'|'done'|'stopped'|'failed', purpose: ''|'survey'|'verify',
 *   seat: number, main: string, fill: string, playing: string[], step: number, steps: number, done: number,
 *   remaining_s: number|null, level_dbfs: number|null, cap_dbfs: number, text: string, takes: number[],
 *   plays: string[], plays_reason: string, verification: Verification|null, by: string}} Survey
 *
 * @typedef {{wait: 'A'|'B', loudspeaker: string, delay_ms: number, distance_m: number,
 *   polarity_b: 'same'|'opposite', gain_b_db: number}} PlanObject
 * @typedef {{delay_ms: number, polarity: 'same'|'opposite', gain_db: number}} Dial
 * @typedef {{loudspeaker: string, known: boolean, from: Dial, to: Dial, text: string}} DialChange
 * @typedef {{today: number|null, plan: number|null, runner_up: number|null}} EfficiencyDB
 * @typedef {{delay_ms: number[], same_db: Values, opposite_db: Values}} DelayCurve
 * @typedef {{re: Values, im: Values, trusted: boolean[]}} Complex
 * @typedef {{frequency_hz: number[], phase_deg: number[], level_db: number[], count: number[]}} Cells
 * @typedef {{cause: string, change_db: number|null, low_db: number|null, high_db: number|null, sentence: string}} LedgerRow
 * @typedef {{seat: number, name: string, today_db: number|null, plan_db: number|null, offset_ms: number|null,
 *   polarity: string, band_hz: number[], level_a_db: number|null, level_b_db: number|null, predicted: boolean,
 *   ideal_gain_db: number|null, gain_over_louder_db: number|null, gain_low_db: number|null, gain_high_db: number|null,
 *   plan_gain_db: number|null, ledger: LedgerRow[],
 *   comb: {notches_hz: number[], peaks_hz: number[], depth_db: number|null, peak_db: number|null},
 *   take_a: number, take_b: number, take_both: number, frequency_hz: number[], a: Complex, b: Complex,
 *   both: Complex|null, curve: DelayCurve, cells: Cells}} AlignSeat
 * @typedef {{main: string, fill: string, band_hz: number[], band_found: boolean, aim: 'mean'|'worst',
 *   plan: PlanObject|null, runner_up: PlanObject|null, settings: DialChange[], efficiency_db: EfficiencyDB,
 *   flatness_ms: number|null, temperature_c: number|null, missing: string[], seats: AlignSeat[], curve: DelayCurve,
 *   reasons: string[], applied: number[]}} Align
 * @typedef {{id: number, name: string, main: string, fill: string, band_hz: number[], aim: 'mean'|'worst',
 *   plan: PlanObject, settings: DialChange[], efficiency_db: EfficiencyDB,
 *   seats: {seat: number, name: string, today_db: number|null, plan_db: number|null}[], dialled: boolean,
 *   verified: Verification[]}} StoredPlan
 */

export {};
