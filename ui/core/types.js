// @ts-check
// What goes over the wire, as the daemon documents it: a test of stream compares these with it. Types only.

/**
 * @typedef {[number, number, number]} Position  metres: x along, y across, z up
 * @typedef {(number|null)[]} Values  null is unknown
 *
 * @typedef {{error: {code: string, text: string}}} ErrorBody
 * @typedef {{mode: 'time'|'count'|'infinite'|'until', seconds: number, count: number, within_db: number,
 *   low_hz: number, high_hz: number}} Averaging
 * @typedef {{microphone: number, mode: 'auto'|'fixed', ms: number}} Delay
 * @typedef {{reference: number, microphones: number[], window: 'multi'|number, averaging: Averaging,
 *   smoothing: number, delay: Delay[], hold: boolean, temperature_c: number}} Settings
 * @typedef {{reference?: number, microphones?: number[], window?: 'multi'|number,
 *   averaging?: {mode?: 'time'|'count'|'infinite'|'until', seconds?: number, count?: number, within_db?: number,
 *   low_hz?: number, high_hz?: number}, smoothing?: number, delay?: {microphone: number, mode?: 'auto'|'fixed',
 *   ms?: number}[], hold?: boolean, temperature_c?: number}} SettingsPatch
 * @typedef {{kind: 'none'|'device'|'file'|'rig', name: string, rate_hz: number, channels: string[],
 *   state: 'starting'|'running'|'stalled'|'lost'|'ended'|'failed', text: string}} Source
 * @typedef {{overflows: number, stalls: number, zero_runs: number, lost_frames: number, dropped_frames: number,
 *   gaps: number, bursts: number}} Counters
 * @typedef {{done: boolean, width_db: number|null, left_s: number|null}} Progress
 * @typedef {{file: string, state: 'waiting'|'recording'|'stopped', text: string, since: string,
 *   lost_s: number}} Recording
 * @typedef {{revision: number, epoch: number, source: Source, settings: Settings, counters: Counters,
 *   progress?: Progress, recording?: Recording, changed_by: string}} State
 * @typedef {{code: 'silent_reference'|'silent_microphone'|'swapped'|'clipped'|'lost_samples'|'not_linear'|'moving'|'crosstalk'|'periodic'|'alike'|'no_delay',
 *   text: string}} Caution
 * @typedef {{text: string, about?: string, caution?: boolean}} Part
 * @typedef {{type: 'verdict', microphone: number, headline: string, text: string, parts: Part[],
 *   certainty: 'sure'|'likely'|'cannot tell', mark: 'steady'|'attention'|'act', delay_reason: string,
 *   polarity_reason: string, cautions: Caution[]}} Verdict
 * @typedef {{verdicts: Verdict[]}} Verdicts
 * @typedef {{name: string, role: string, position_m: Position, delay_ms: number, gain_db: number,
 *   polarity: 'same'|'opposite', mute: boolean, low_hz: number, high_hz: number, crossover_hz: number,
 *   crossover_order: number, high_reversed: boolean}} Loudspeaker
 * @typedef {{name: string, position_m: Position}} Microphone
 * @typedef {{revision: number, name: string, temperature_c: number, rate_hz: number, seed: number,
 *   room: {size_m: Position, reflections: number, absorption: Record<string, number>},
 *   programme: {kind: 'pink'|'white'|'file', file?: string, level_dbfs: number}, noise: {level_dbfs: number},
 *   loudspeakers: Loudspeaker[], microphones: Microphone[], changed_by: string}} Rig
 * @typedef {{position_m?: Position, delay_ms?: number, gain_db?: number, polarity?: 'same'|'opposite', mute?: boolean,
 *   low_hz?: number, high_hz?: number, crossover_hz?: number, crossover_order?: number,
 *   high_reversed?: boolean}} LoudspeakerPatch
 * @typedef {{temperature_c?: number, programme?: {kind?: 'pink'|'white'|'file', level_dbfs?: number},
 *   noise?: {level_dbfs?: number}, loudspeakers?: Record<string, LoudspeakerPatch>,
 *   microphones?: Record<string, {position_m?: Position}>}} RigPatch
 * @typedef {{code: 'no_source'|'source_stalled'|'source_lost'|'source_ended'|'source_failed'|'source_doubtful'|'no_frames'|'recording'|'level_log',
 *   text: string}} Fault
 * @typedef {{status: string, text: string, faults: Fault[], clients: number, frames: number, last_frame_s: number|null,
 *   uptime_s: number}} Health
 * @typedef {{peak_dbfs: number|null, rms_dbfs: number|null, clipped_samples: number|null}} InputLevels
 * @typedef {{verdict: 'same'|'opposite'|'undecided', confidence: number|null, reason: string, bands: {low_hz: number|null,
 *   high_hz: number|null, verdict: string, confidence: number|null}[], of_arrival_ms?: number|null}} Polarity
 * @typedef {{delay_ms: number|null, delay_sd_ms: number|null, distance_m: number|null, level_db: number|null,
 *   polarity: string}} ArrivalOfTake
 * @typedef {{channel: number, delay_ms: number|null, delay_sd_ms: number|null, delay_fixed: boolean,
 *   reason: string|null, cautions: Caution[], polarity: Polarity, frequency_hz: number[], magnitude_db: Values,
 *   magnitude_low_db: Values, magnitude_high_db: Values, phase_deg: Values, phase_error_deg: Values,
 *   coherence: Values, threshold: Values, effective_averages: Values, arrivals: ArrivalOfTake[],
 *   levels: InputLevels|null, verdict: string}} FrameMicrophone
 * @typedef {{time: string, source: string, gaps: number, sample_rate_hz: number, verdict: string,
 *   microphones: FrameMicrophone[], reference: {channel: number, levels: InputLevels|null}, seq: number,
 *   sample: number, epoch: number, averaged_s: number|null, bursts: number, window: 'multi'|number}} FrameObject
 * @typedef {{type: 'hello', version: number, client: string, role: 'viewer'|'operator', epoch: number, rate_hz: number, grid: number[]}} Hello
 * @typedef {{type: 'state', state: State}} StateMessage
 * @typedef {{type: 'rig', rig: Rig}} RigMessage
 * @typedef {{type: 'show', show: Show|null}} ShowMessage
 * @typedef {{most_bytes: number}} EventAudioPatch
 * @typedef {{type: 'survey', survey: Survey}} SurveyMessage
 * @typedef {{type: 'levels', levels: SoundLevels}} LevelsMessage
 * @typedef {{type: 'watch', watch: Watches}} WatchMessage
 * @typedef {{type: 'event', event: WatchEvent}} EventMessage
 * @typedef {{type: 'notice', text: string, by: string}} Notice
 * @typedef {{type: 'ask'}} Ask
 * @typedef {{type: 'ack'|'want'|'here', seq?: number, frames_per_second?: number, hidden?: boolean,
 *   microphones?: number[]}} ClientMessage
 * @typedef {{name: string, file: string, made_at: string, version: number, revision: number, loudspeakers: number,
 *   seats: number, takes: number, plans: number, notes: number, size_bytes: number, event_audio_bytes: number, event_audio_most_bytes: number,
 *   deleted_audio_bytes: number}} Show
 * @typedef {{file: string, version: number, newer: boolean, modified_at: string, size_bytes: number}} ShowEntry
 * @typedef {{name: string}} Named
 * @typedef {{undo: number}} Undo
 * @typedef {{id: number, name: string, role: string, channel: number, note: string}} Box
 * @typedef {{id: number, name: string, position_m: Position|null, note: string}} Seat
 * @typedef {{id: number, at: string, name: string, body: StoredPlan, note: string}} PlanItem
 * @typedef {{id: number, at: string, by: string, kind: string, item: number, text: string}} Note
 * @typedef {{id: number, name: string, points: [number, number][], note: string}} Correction
 * @typedef {{id: number, at: string, by: string, name: string, number: number, shown: boolean, microphone: number,
 *   heard: string, note: string}} StoredTrace
 * @typedef {{trace: number, delay_ms: number|null, frequency_hz: number[], magnitude_db: Values,
 *   magnitude_low_db: Values, magnitude_high_db: Values, phase_deg: Values, phase_error_deg: Values, coherence: Values,
 *   threshold: Values, impulse_start_ms: number|null, impulse_step_ms: number|null, impulse: Values}} TraceCurve
 * @typedef {{microphone?: number, take?: number, name?: string}} TraceRequest
 * @typedef {{id: number, name: string, points: [number, number][], offset_db: number, tolerance_db: number,
 *   shown: boolean, note: string}} Target
 * @typedef {{id: number, at: string, by: string, action: 'note'|'add'|'change'|'delete'|'undo'|'open'|'event',
 *   kind: string, item: number, text: string, undone: boolean}} LogEntry
 * @typedef {{delay_sd_ms: number|null, polarity: Polarity, arrivals: ArrivalOfTake[], levels: InputLevels|null,
 *   reference_levels: InputLevels|null, cautions: Caution[], assumed_averages?: boolean,
 *   assumed_coherence?: boolean, assumed_phase?: boolean, assumed_temperature?: boolean}} TakeResults
 * @typedef {{id: number, at: string, by: string, name: string, note: string, seat: number, loudspeakers: number[],
 *   correction: number, origin: 'measured'|'imported', source: string, reference: number, microphone: number,
 *   sample_rate_hz: number, window: 'multi'|number, overlap: number, delay_ms: number, averaged_s: number,
 *   gaps: number, temperature_c: number, settings: any, results: TakeResults, points: number,
 *   audio: {sample_rate_hz: number, channels: number[], frames: number}, damaged?: string}} Take
 * @typedef {{name?: string, note?: string, seat?: number, loudspeakers?: number[], correction?: number}} TakePatch
 * @typedef {{format: 'plumbline take', version: number, take: Take, frequency_hz: number[], gxx: Values,
 *   gyy: Values, gxy_real: Values, gxy_imag: Values, effective_averages: Values}} TakeExchange
 * @typedef {{microphone?: number, name?: string, note?: string, seat?: number, loudspeakers?: number[],
 *   correction?: number, audio_s?: number, playing?: string[], force?: boolean}} TakeRequest
 * @typedef {{take: number, delay_ms: number, frequency_hz: number[], magnitude_db: Values, magnitude_low_db: Values,
 *   magnitude_high_db: Values, phase_deg: Values, phase_error_deg: Values, coherence: Values, threshold: Values,
 *   effective_averages: Values}} TakeCurve
 * @typedef {{delay_ms: number, polarity: 'same'|'opposite', gain_db: number}} Dial
 * @typedef {{goal: {within_db?: number, low_hz?: number, high_hz?: number}, done: number, level_dbfs: number|null,
 *   plan: number, dialled: Record<string, Dial>}} TakeSettings
 * @typedef {{plan: number, seat: number, seat_name: string, take: number, time: string, pass: boolean, text: string,
 *   band_hz: number[], predicted_db: number|null, measured_db: number|null, difference_db: number|null,
 *   low_db: number|null, high_db: number|null, gain_over_louder_db: number|null, polarity: string,
 *   delay_error_ms: number|null, level_error_db: number|null, frequency_hz: number[], correlation: Values,
 *   predicted_magnitude_db: Values, predicted_error: Values, measured_magnitude_db: Values,
 *   measured_error: Values}} Verification
 * @typedef {{revision: number, state: 'idle'|'ramping'|'measuring'|'storing'|'asking'|'done'|'stopped'|'failed',
 *   purpose: ''|'survey'|'verify', seat: number, main: string, fill: string, playing: string[], step: number,
 *   steps: number, done: number, remaining_s: number|null, level_dbfs: number|null, cap_dbfs: number, text: string,
 *   takes: number[], plays: string[], plays_reason: string, verification: Verification|null,
 *   doubts: SeatDoubt[], by: string}} Survey
 * @typedef {{microphone: number, chosen: number, chosen_name: string, found: number, found_name: string,
 *   times: SeatTimes[]}} SeatDoubt
 * @typedef {{loudspeaker: string, heard_ms: number|null, found_ms: number|null, chosen_ms: number|null}} SeatTimes
 * @typedef {{store: 'found'|'chosen'|'none'}} SurveyAnswer
 * @typedef {{step: number, playing: string[], heard_s: number, microphones: MicrophoneTrace[]}} SurveyTrace
 * @typedef {{microphone: number, seat: number, frequency_hz: number[], magnitude_db: Values, low_db: Values,
 *   high_db: Values, coherence: Values, threshold: Values}} MicrophoneTrace
 * @typedef {{seat?: number, seats?: Record<string, number>, main: string, fill: string, within_db?: number,
 *   low_hz?: number, high_hz?: number, level_dbfs?: number, cap_dbfs?: number}} SurveyRequest
 * @typedef {{wait: 'A'|'B', loudspeaker: string, delay_ms: number, distance_m: number,
 *   polarity_b: 'same'|'opposite', gain_b_db: number}} PlanObject
 * @typedef {PlanObject & {low_db: number|null, high_db: number|null, delay_sd_ms: number|null,
 *   follows_arrivals: boolean}} PlannedSetting
 * @typedef {PlanObject & {low_db: number|null, high_db: number|null}} RunnerUp
 * @typedef {PlanObject & {less_db: number|null, slope_ms: number|null}} Cycle
 * @typedef {{loudspeaker: string, known: boolean, from: Dial, to: Dial, text: string}} DialChange
 * @typedef {{today: number|null, plan: number|null, runner_up: number|null}} EfficiencyDB
 * @typedef {{change_db: number|null, seats: number, losing_db: number|null, losing: string[],
 *   adds_up_to_hz: number|null, nothing_from_hz: number|null, worth: boolean, text: string,
 *   reach_text: string}} PlanPromise
 * @typedef {{cause: string, change_db: number|null, low_db: number|null, high_db: number|null,
 *   sentence: string}} LedgerRow
 * @typedef {{notches_hz: number[], peaks_hz: number[], depth_db: number|null, peak_db: number|null}} Comb
 * @typedef {{a_ms: number|null, b_ms: number|null, sd_ms: number|null}} Slopes
 * @typedef {{re: Values, im: Values, error: Values, trusted: boolean[]}} Complex
 * @typedef {{delay_ms?: number[], same_db: Values, opposite_db: Values}} DelayCurve
 * @typedef {{frequency_hz: number[], phase_deg: Values, level_db: Values, level_a_db: Values, count: number[],
 *   ripple?: Values, less_db?: Values, power_db?: Values, common?: Values}} Cells
 * @typedef {{seat: number, name: string, today_db: number|null, plan_db: number|null, low_db: number|null,
 *   high_db: number|null, runner_up_db: number|null, offset_ms: number|null, offset_sd_ms: number|null,
 *   polarity: string, band_hz: number[], level_a_db: number|null, level_b_db: number|null,
 *   level_both_db: number|null, predicted: boolean, ideal_gain_db: number|null, gain_over_louder_db: number|null,
 *   gain_low_db: number|null, gain_high_db: number|null, plan_gain_db: number|null, spread_ms: number|null,
 *   heads_db: number|null, heads_plan_db: number|null, change_db: number|null, ledger: LedgerRow[], comb: Comb,
 *   slopes: Slopes, take_a: number, take_b: number, take_both: number, frequency_hz: number[], correlation: Values,
 *   a: Complex, b: Complex, both: Complex|null, curve: DelayCurve, compensated_ms: number|null,
 *   cells: Cells}} AlignSeat
 * @typedef {{main: string, fill: string, band_hz: number[], band_found: boolean, aim: 'mean'|'worst',
 *   plan: PlannedSetting|null, runner_up: RunnerUp|null, settings: DialChange[], efficiency_db: EfficiencyDB,
 *   promise: PlanPromise, spread_m: number, flatness_ms: number|null, certainty: ''|'sure'|'likely'|'cannot tell',
 *   reason: string, cycles: Cycle[], temperature_c: number|null, missing: string[], seats: AlignSeat[],
 *   curve: DelayCurve, reasons: string[], applied: number[]}} Align
 * @typedef {{wait: string, delay_ms: number, polarity_b: string, gain_b_db: number, loudspeaker?: string,
 *   distance_m?: number}} PlanChoice
 * @typedef {{main: string, fill: string, low_hz?: number, high_hz?: number, aim?: string, gain?: boolean,
 *   spread_m?: number, plan?: PlanChoice, name?: string}} PlanRequest
 * @typedef {{seat: number, name: string, today_db: number|null, plan_db: number|null, change_db: number|null,
 *   take_a: number, take_b: number}} PlanSeat
 * @typedef {{id: number, name: string, main: string, fill: string, band_hz: number[], aim: 'mean'|'worst',
 *   plan: PlanObject, settings: DialChange[], efficiency_db: EfficiencyDB, promise: PlanPromise, spread_m?: number,
 *   seats: PlanSeat[], temperature_c: number|null, dialled: boolean, verified: Verification[]}} StoredPlan
 * @typedef {{plan: number, by_hand?: boolean}} DialRequest
 * @typedef {{plan: number, seat?: number, seats?: Record<string, number>, within_db?: number, low_hz?: number,
 *   high_hz?: number, by_hand?: boolean, level_dbfs?: number, cap_dbfs?: number}} VerifyRequest
 * @typedef {{minutes: number, laeq_db: number|null, covered_s: number|null}} SlidingLevel
 * @typedef {{profile: string, state: 'inside'|'near'|'crossed'|'cannot tell', mark: 'steady'|'attention'|'act',
 *   text: string, level_db: number|null, limit_db: number|null, used: number|null, pace_db: number|null,
 *   crossed_in_s: number|null, peak_db: number|null, peak_crossed: boolean, correction_db: number|null,
 *   elapsed_s: number|null}} LimitStatus
 * @typedef {{microphone: number, unit: string, calibrated_at: string, measured_s: number|null, laf_db: number|null,
 *   las_db: number|null, lcf_db: number|null, lcs_db: number|null, laeq_1s_db: number|null, lceq_1s_db: number|null,
 *   lafmax_1s_db: number|null, lcpeak_1s_db: number|null, band_db: Values, laeq_db: number|null,
 *   lceq_db: number|null, lzeq_db: number|null, lae_db: number|null, lafmax_db: number|null, lasmax_db: number|null,
 *   lcfmax_db: number|null, lcsmax_db: number|null, lcpeak_db: number|null, l10_db: number|null,
 *   l50_db: number|null, l90_db: number|null, clipped_samples: number, sliding: SlidingLevel[],
 *   limit: LimitStatus|null}} SoundLevel
 * @typedef {{state: 'off'|'writing'|'failed', text: string, rows: number, waiting: number,
 *   lost: number}} LevelLogState
 * @typedef {{time: string, band_mid_hz: number[], band_nominal_hz: number[], microphones: SoundLevel[],
 *   log: LevelLogState}} SoundLevels
 * @typedef {{unix_s: number, microphone: number, kind: 'start'|'gap'|'clock'|'calibration'|'reset'|'lost',
 *   text: string}} LevelMark
 * @typedef {{microphone: number, unit: string, calibrated_from_unix_s: number|null, laeq_db: Values,
 *   lceq_db: Values, lafmax_db: Values, lcpeak_db: Values, covered_s: Values,
 *   band_db: Values[]}} LevelHistoryChannel
 * @typedef {{from_unix_s: number, to_unix_s: number, step_s: number, unix_s: number[], band_mid_hz: number[],
 *   band_nominal_hz: number[], microphones: LevelHistoryChannel[], marks: LevelMark[]}} LevelHistory
 * @typedef {{id: string, name: string, source: string, note: string, quantity: string, limit_db: number|null,
 *   over_s: number|null, sliding: boolean, exchange_db: number|null, peak_db: number|null,
 *   own: boolean}} LimitProfile
 * @typedef {{name?: string, quantity: 'LAeq'|'LCeq', limit_db: number, over_s: number}} LimitRequest
 * @typedef {{profiles: LimitProfile[], profile: string, correction_db: number, caution: string,
 *   changed_by: string}} Limits
 * @typedef {{profile?: string, correction_db?: number}} LimitsPatch
 * @typedef {{microphone: number, offset_db: number|null, level_db: number|null, tone_dbfs: number|null,
 *   frequency_hz: number|null, scatter_db: number|null, at: string, by: string, earlier: number}} Calibration
 * @typedef {{device: string, file: string, calibrations: Calibration[]}} Calibrations
 * @typedef {{microphone: number, level_db: number, seconds?: number, force?: boolean}} CalibrationRequest
 * @typedef {{microphone: number}} CalibrationUndo
 * @typedef {{kind: string, what: string, low_hz: number|null, high_hz: number|null, change_db: number|null,
 *   shift_ms: number|null}} WatchChange
 * @typedef {{name: string, take: number, delay_ms: number|null}} WatchedPart
 * @typedef {{microphone: number, state: 'learning'|'watching'|'paused'|'failed', take: number, take_name: string,
 *   seat: number, seat_name: string, since: string, by: string, resumed: boolean, headline: string, text: string, certainty: string,
 *   mark: 'steady'|'attention'|'act', loudspeakers: WatchedPart[], wrong: WatchChange|null, low_hz: number[],
 *   high_hz: number[], difference_db: Values, error_db: Values, within_db: number|null, as_it_was_s: number|null,
 *   temperature_c: number|null, baseline_temperature_c: number|null, breaks: number, events: number}} Watch
 * @typedef {{revision: number, watches: Watch[]}} Watches
 * @typedef {{microphone: number, take: number}} WatchRequest
 * @typedef {{microphone?: number}} WatchStop
 * @typedef {WatchChange & {id: number, at: string, onset_at: string, microphone: number, seat: number,
 *   seat_name: string, take: number, confidence: number|null, certainty: string, mark: 'steady'|'attention'|'act',
 *   text: string, audio: {sample_rate_hz: number, seconds: number, event_s: number, undo: number},
 *   acknowledged: boolean, acknowledged_by: string, acknowledged_at: string, comment: string}} WatchEvent
 * @typedef {{acknowledged?: boolean, comment?: string}} EventPatch
 * @typedef {{events: WatchEvent[]}} Events
 * @typedef {{device: string, reference: number, microphones: number[], rate_hz: number, names: string[],
 *   output: string, loopback_output: number}} SourceChoice
 * @typedef {{id: string, name: string, host: string, inputs: number, outputs: number, default_rate_hz: number,
 *   default_input: boolean, kept: SourceChoice|null}} AudioDevice
 * @typedef {{channel: number, name: string, peak_dbfs: number|null, rms_dbfs: number|null, clipped_samples: number,
 *   clipped_at: string}} SetupInput
 * @typedef {{name: 'device'|'reference'|'loopback'|'microphone'|'level'|'clipping'|'calibration',
 *   mark: 'steady'|'attention'|'act', certainty: 'sure'|'likely'|'cannot tell', text: string}} SetupCheck
 * @typedef {{at: string, output: number, input: number, round_trip_ms: number|null, level_dbfs: number|null,
 *   wander_ms: number|null, wanders: boolean, inverted: boolean}} Loopback
 * @typedef {{state: 'ready'|'changing', changeable: boolean, text: string, devices: AudioDevice[],
 *   source: SourceChoice|null, inputs: SetupInput[], checks: SetupCheck[], loopback: Loopback|null,
 *   file: string}} Setup
 */

export {};
