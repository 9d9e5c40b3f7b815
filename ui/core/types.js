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
 * @typedef {{file: string, state: 'waiting'|'recording'|'stopped', text: string, since: string, lost_s: number}} Recording
 * @typedef {{epoch: number, source: Source, settings: Settings, counters: Record<string, number>,
 *   progress?: Progress, recording?: Recording, changed_by: string}} State
 *
 * @typedef {{text: string, about?: string}} Part
 * @typedef {{microphone: number, text: string, parts: Part[], certainty: string,
 *   mark: 'steady'|'attention'|'act', delay_reason: string, polarity_reason: string,
 *   cautions: {code: string, text: string}[]}} Verdict
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
 *   takes: number, plans: number, notes: number, size_bytes: number, event_audio_bytes: number, deleted_audio_bytes: number}} Show
 * @typedef {{id: number, name: string, role: string, channel: number, note: string}} Box  a loudspeaker of the show
 * @typedef {{id: number, name: string, position_m: Position|null, note: string}} Seat
 * @typedef {{delay_ms: number, delay_sd_ms: number|null, distance_m: number, level_db: number, polarity: string}} ArrivalOfTake
 * @typedef {{id: number, at: string, by: string, name: string, note: string, seat: number, loudspeakers: number[], correction: number,
 *   origin: 'measured'|'imported', source: string, reference: number, microphone: number, sample_rate_hz: number,
 *   window: 'multi'|number, delay_ms: number, averaged_s: number, temperature_c: number, settings: any,
 *   results: {cautions?: {code: string, text: string}[], assumed_temperature?: boolean, delay_sd_ms: number|null, polarity: {verdict: string, confidence: number|null, reason: string},
 *     arrivals: ArrivalOfTake[], levels: {peak_dbfs: number|null, rms_dbfs: number|null}|null},
 *   points: number, audio: {sample_rate_hz: number, channels: number[], frames: number}, damaged?: string}} Take
 * @typedef {{id: number, at: string, name: string, body: StoredPlan, note: string}} PlanItem
 * @typedef {{id: number, at: string, by: string, kind: string, item: number, text: string}} Note
 * @typedef {{take: number, delay_ms: number, frequency_hz: number[], magnitude_db: Values, magnitude_low_db: Values,
 *   magnitude_high_db: Values, phase_deg: Values, phase_error_deg: Values, coherence: Values, threshold: Values}} TakeCurve
 *
 * @typedef {{plan: number, seat: number, seat_name: string, take: number, time: string, pass: boolean, text: string,
 *   band_hz: number[], predicted_db: number|null, measured_db: number|null, difference_db: number|null,
 *   gain_over_louder_db: number|null, low_db: number|null, high_db: number|null, frequency_hz: number[], predicted_magnitude_db: Values,
 *   measured_magnitude_db: Values, correlation: Values, predicted_error: Values, measured_error: Values}} Verification
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
 * @typedef {{re: Values, im: Values, error: Values, trusted: boolean[]}} Complex
 * @typedef {{frequency_hz: number[], phase_deg: number[], level_db: number[], level_a_db: number[], count: number[],
 *   ripple?: number[], less_db?: number[], power_db?: number[], common?: number[]}} Cells
 * @typedef {{change_db: number|null, seats: number, losing_db: number|null, losing: string[], adds_up_to_hz: number|null,
 *   nothing_from_hz: number|null, worth: boolean, text: string, reach_text: string}} PlanPromise
 * @typedef {{cause: string, change_db: number|null, low_db: number|null, high_db: number|null, sentence: string}} LedgerRow
 * @typedef {{seat: number, name: string, today_db: number|null, plan_db: number|null, low_db: number|null, high_db: number|null, offset_ms: number|null,
 *   polarity: string, band_hz: number[], level_a_db: number|null, level_b_db: number|null, predicted: boolean,
 *   ideal_gain_db: number|null, gain_over_louder_db: number|null, gain_low_db: number|null, gain_high_db: number|null,
 *   plan_gain_db: number|null, spread_ms: number|null, heads_db: number|null, heads_plan_db: number|null, change_db: number|null,
 *   ledger: LedgerRow[],
 *   comb: {notches_hz: number[], peaks_hz: number[], depth_db: number|null, peak_db: number|null},
 *   slopes: {a_ms: number|null, b_ms: number|null, sd_ms: number|null},
 *   take_a: number, take_b: number, take_both: number, frequency_hz: number[], correlation: Values, a: Complex, b: Complex,
 *   both: Complex|null, curve: DelayCurve, cells: Cells}} AlignSeat
 * @typedef {{low_db: number|null, high_db: number|null}} Known 95 % interval of an efficiency
 * @typedef {{main: string, fill: string, band_hz: number[], band_found: boolean, aim: 'mean'|'worst',
 *   plan: (PlanObject & Known & {delay_sd_ms: number|null, follows_arrivals: boolean})|null, runner_up: (PlanObject & Known)|null,
 *   settings: DialChange[], efficiency_db: EfficiencyDB, promise: PlanPromise,
 *   spread_m: number, flatness_ms: number|null, certainty: ''|'sure'|'likely'|'cannot tell', reason: string,
 *   cycles: (PlanObject & {less_db: number|null, slope_ms: number|null})[], temperature_c: number|null, missing: string[], seats: AlignSeat[], curve: DelayCurve,
 *   reasons: string[], applied: number[]}} Align
 * @typedef {{id: number, name: string, main: string, fill: string, band_hz: number[], aim: 'mean'|'worst',
 *   plan: PlanObject, settings: DialChange[], efficiency_db: EfficiencyDB, promise?: PlanPromise, spread_m?: number,
 *   seats: {seat: number, name: string, today_db: number|null, plan_db: number|null, change_db?: number|null}[], dialled: boolean,
 *   verified: Verification[]}} StoredPlan
 *
 * @typedef {{minutes: number, laeq_db: number|null, covered_s: number|null}} SlidingLevel
 * @typedef {{profile: string, state: 'inside'|'near'|'crossed'|'cannot tell', mark: 'steady'|'attention'|'act', text: string,
 *   level_db: number|null, limit_db: number|null, used: number|null, pace_db: number|null, crossed_in_s: number|null,
 *   peak_db: number|null, peak_crossed: boolean, correction_db: number|null, elapsed_s: number|null}} LimitStatus
 * @typedef {{microphone: number, unit: string, calibrated_at: string, measured_s: number|null, laf_db: number|null,
 *   las_db: number|null, lcf_db: number|null, lcs_db: number|null, laeq_1s_db: number|null, lceq_1s_db: number|null,
 *   lafmax_1s_db: number|null, lcpeak_1s_db: number|null, band_db: Values, laeq_db: number|null, lceq_db: number|null,
 *   lae_db: number|null, lafmax_db: number|null, lcpeak_db: number|null, l10_db: number|null, l50_db: number|null,
 *   l90_db: number|null, clipped_samples: number, sliding: SlidingLevel[], limit: LimitStatus|null}} SoundLevel
 * @typedef {{state: 'off'|'writing'|'failed', text: string, rows: number, waiting: number, lost: number}} LevelLogState
 * @typedef {{time: string, band_mid_hz: number[], band_nominal_hz: number[], microphones: SoundLevel[], log: LevelLogState}} SoundLevels
 * @typedef {{unix_s: number, microphone: number, kind: 'start'|'gap'|'clock'|'calibration'|'reset'|'lost', text: string}} LevelMark
 * @typedef {{microphone: number, unit: string, calibrated_from_unix_s: number|null, laeq_db: Values, lceq_db: Values,
 *   lafmax_db: Values, lcpeak_db: Values, covered_s: Values, band_db: Values[]}} LevelHistoryChannel
 * @typedef {{from_unix_s: number, to_unix_s: number, step_s: number, unix_s: number[], band_mid_hz: number[],
 *   band_nominal_hz: number[], microphones: LevelHistoryChannel[], marks: LevelMark[]}} LevelHistory
 * @typedef {{id: string, name: string, source: string, note: string, quantity: string, limit_db: number|null,
 *   over_s: number|null, sliding: boolean, exchange_db: number|null, peak_db: number|null}} LimitProfile
 * @typedef {{profiles: LimitProfile[], profile: string, correction_db: number, caution: string, changed_by: string}} Limits
 * @typedef {{microphone: number, offset_db: number|null, level_db: number|null, tone_dbfs: number|null,
 *   frequency_hz: number|null, scatter_db: number|null, at: string, by: string, earlier: number}} Calibration
 * @typedef {{device: string, file: string, calibrations: Calibration[]}} Calibrations
 * @typedef {{kind: string, what: string, low_hz: number|null, high_hz: number|null, change_db: number|null,
 *   shift_ms: number|null}} WatchChange
 * @typedef {{microphone: number, state: 'learning'|'watching'|'paused'|'failed', take: number, take_name: string, seat: number,
 *   seat_name: string, since: string, by: string, resumed: boolean, text: string, certainty: string, mark: 'steady'|'attention'|'act',
 *   loudspeakers: {name: string, take: number, delay_ms: number|null}[], wrong: WatchChange|null, low_hz: number[],
 *   high_hz: number[], difference_db: Values, error_db: Values, within_db: number|null, as_it_was_s: number|null,
 *   temperature_c: number|null, baseline_temperature_c: number|null, breaks: number, events: number}} Watch
 * @typedef {WatchChange & {id: number, at: string, onset_at: string, microphone: number, seat: number, seat_name: string,
 *   take: number, confidence: number|null, certainty: string, mark: 'steady'|'attention'|'act', text: string,
 *   audio: {sample_rate_hz: number, seconds: number, event_s: number, undo: number}, acknowledged: boolean, acknowledged_by: string,
 *   acknowledged_at: string, comment: string}} WatchEvent
 */

export {};
