/**
 * A streaming converter in the open framing of drivers/serial-frames/frame.ts: samples its sensors by its own, slightly
 * wrong clock and sends frames. It does not listen.
 *
 * Counts span the sensor's range: -32768 is its low end, +32767 its high end (int24 likewise), so
 * value = low + (count + 32768) / 65535 * (high - low).
 * Digital word: bit 0 run contact (1 = pump runs), bit 1 pressure switch (1 = pressure reached, tripped).
 */
import { digitalBit, encodeFrame } from '../../drivers/serial-frames/frame.ts';
import type { Sensor } from './sensors.ts';

export interface ConverterSpec {
  /** What the converter believes its scan rate to be. */
  readonly rate_Hz: number;
  /** How much faster its clock runs than the true one. */
  readonly clockError_ratio: number;
  readonly scansPerFrame: number;
  /** int24 samples instead of int16. */
  readonly isWide: boolean;
}

/** State of the two contacts: 1 = pump runs; 1 = pressure switch tripped. */
export interface ContactState {
  readonly runContact: 0 | 1;
  readonly pressureSwitch: 0 | 1;
}

export class Converter {
  /** Scans taken since power-up, with those left out by `skip`. */
  scansTaken = 0;
  readonly spec: ConverterSpec;
  readonly #sensors: readonly Sensor[];
  readonly #period_s: number;
  readonly #digital: Uint16Array;
  readonly #samples: Int32Array;
  #filled = 0;
  /** Instant of scan 0 on the plant's clock. */
  #first_s: number;
  #clipped = 0;

  /** `start_s`: power-up on the plant's clock; the first scan is one period later. */
  constructor(spec: ConverterSpec, sensors: readonly Sensor[], start_s: number) {
    this.spec = spec;
    this.#sensors = sensors;
    this.#period_s = 1 / (spec.rate_Hz * (1 + spec.clockError_ratio));
    this.#first_s = start_s + this.#period_s;
    this.#digital = new Uint16Array(spec.scansPerFrame);
    this.#samples = new Int32Array(spec.scansPerFrame * sensors.length);
  }

  /**
   * Takes every scan that falls into the plant's last step, which ended at `time_s`. `send` gets whole frames and the
   * instant of their last scan.
   */
  follow(
    time_s: number,
    dt_s: number,
    contacts: ContactState,
    send: (frame: Uint8Array, time_s: number) => void,
  ): void {
    // A thousandth of a step against rounding, where scans and steps coincide.
    while (this.#first_s + this.scansTaken * this.#period_s <= time_s + 1e-3 * dt_s) {
      const scan_s = this.#first_s + this.scansTaken * this.#period_s;
      const fraction = Math.min(1, Math.max(0, 1 - (time_s - scan_s) / dt_s));
      this.#scan(scan_s, fraction, contacts);
      if (this.#filled === this.spec.scansPerFrame) send(this.#frame(), scan_s);
    }
  }

  /** Lets time pass without scans, as when the rig was held up; the frame being filled is lost, the sequence goes on. */
  skip(duration_s: number): void {
    // The plant's clock stood still meanwhile, so on it every scan comes that much earlier.
    this.#first_s -= duration_s;
    this.scansTaken += Math.round(duration_s / this.#period_s);
    this.#filled = 0;
  }

  #scan(scan_s: number, fraction: number, contacts: ContactState): void {
    const width = this.spec.isWide ? 24 : 16;
    const sensors = this.#sensors;
    const at = this.#filled * sensors.length;
    for (let i = 0; i < sensors.length; i++) {
      const sensor = sensors[i]!;
      const clippedBefore = sensor.readingsClipped;
      this.#samples[at + i] = sensor.count(scan_s, fraction, width);
      this.#clipped += sensor.readingsClipped - clippedBefore;
    }
    this.#digital[this.#filled] =
      (contacts.runContact << digitalBit.runContact) | (contacts.pressureSwitch << digitalBit.pressureSwitch);
    this.#filled++;
    this.scansTaken++;
  }

  #frame(): Uint8Array {
    const { spec } = this;
    const bytes = encodeFrame({
      sequence: (this.scansTaken - spec.scansPerFrame) % 2 ** 32,
      period_ns: Math.round(1e9 / spec.rate_Hz),
      channels: this.#sensors.length,
      scans: spec.scansPerFrame,
      isWide: spec.isWide,
      isOverRange: this.#clipped > 0,
      status: 0,
      digital: this.#digital,
      samples: this.#samples,
    });
    this.#filled = 0;
    this.#clipped = 0;
    return bytes;
  }
}
