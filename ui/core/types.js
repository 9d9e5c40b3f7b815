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
 */

export {};
