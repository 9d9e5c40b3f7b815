// @ts-check
// Binary frames of the wire: the only place that knows their layout, and the only one where
// NaN (unknown) turns into null.

/** @typedef {import('./types.js').Values} Values */

/** Ids of the curves in a frame. */
export const CURVE = Object.freeze({
  magnitude: 1, magnitudeLow: 2, magnitudeHigh: 3, phase: 4, phaseError: 5, coherence: 6, threshold: 7,
  effectiveAverages: 8, impulse: 9, impulseAxis: 10, arrivalDelay: 11, arrivalDelaySd: 12, arrivalLevel: 13,
  arrivalSign: 14, delay: 15, polarity: 16, levels: 17, polarityBands: 18,
});

const HEADER = 48;
const ENTRY = 12;
/** @type {Values} */
const NONE = [];

/** Frame is the newest frame. Its arrays are reused by the next decode: read, don't keep. */
export class Frame {
  seq = 0;
  sample = 0;
  timeMs = 0;
  epoch = 0;
  gaps = 0;
  averagedS = 0;
  bursts = 0;
  /** @type {Map<number, Values>} */
  #curves = new Map();
  /** @type {Set<number>} */
  #present = new Set();

  /** @param {number} channel @param {number} id @returns {Values} empty if the frame has no such curve */
  curve(channel, id) {
    const key = channel * 256 + id;
    return this.#present.has(key) ? /** @type {Values} */ (this.#curves.get(key)) : NONE;
  }

  /**
   * Reads a message into this frame.
   * @param {ArrayBuffer} buffer
   * @returns {boolean} false for a message of another kind or a newer version
   */
  decode(buffer) {
    if (buffer.byteLength < HEADER) return false;
    const view = new DataView(buffer);
    if (view.getUint32(0, false) !== 0x504c4d42 || view.getUint8(4) !== 1 || view.getUint8(5) !== 1) return false;
    const count = view.getUint16(6, true);
    this.seq = Number(view.getBigUint64(8, true));
    this.sample = Number(view.getBigUint64(16, true));
    this.timeMs = view.getFloat64(24, true);
    this.epoch = view.getUint32(32, true);
    this.gaps = view.getUint32(36, true);
    this.averagedS = view.getFloat32(40, true);
    this.bursts = view.getUint32(44, true);
    this.#present.clear();
    for (let i = 0; i < count; i++) {
      const at = HEADER + i * ENTRY;
      const key = view.getUint16(at + 2, true) * 256 + view.getUint16(at, true);
      this.#fill(key, new Float32Array(buffer, view.getUint32(at + 8, true), view.getUint32(at + 4, true)));
    }
    return true;
  }

  /** @param {number} key @param {Float32Array} from */
  #fill(key, from) {
    let to = this.#curves.get(key);
    if (!to) this.#curves.set(key, (to = []));
    to.length = from.length;
    for (let i = 0; i < from.length; i++) {
      const v = from[i];
      to[i] = v === v ? v : null;
    }
    this.#present.add(key);
  }
}

/** The sequence number of an undecoded message. @param {ArrayBuffer} buffer */
export function sequenceOf(buffer) {
  return buffer.byteLength < HEADER ? 0 : Number(new DataView(buffer).getBigUint64(8, true));
}
