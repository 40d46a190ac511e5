/** A device that samples by itself, by either register convention of `drivers/modbus/burst-reader.ts`. */
import type { BurstSpec } from '../../drivers/line-spec.ts';

/** Value of `channel` in scan number `scan`: tells both. */
export function sampleOf(scan: number, channel: number): number {
  return (scan * 7 + channel * 1000) & 0x7fff;
}

export interface BurstDeviceSpec {
  readonly burst: BurstSpec;
  /** Its second is so much longer than ours, as a ratio. */
  readonly drift: number;
  /** Count of scans at instant 0. */
  readonly firstScan: number;
}

export class BurstDevice {
  readonly #burst: BurstSpec;
  readonly #period_s: number;
  #firstScan: number;
  #began_s = 0;
  /** Next scan of a queue that has not been handed out. */
  #handedOut: number;

  constructor({ burst, drift, firstScan }: BurstDeviceSpec) {
    this.#burst = burst;
    this.#period_s = (1 + drift) / burst.rate_Hz;
    this.#firstScan = firstScan;
    this.#handedOut = firstScan;
  }

  /** Instant at which a scan was taken. */
  timeOf_s(scan: number): number {
    return this.#began_s + (scan - this.#firstScan) * this.#period_s;
  }

  /** Begins to count at 0 again, as after a loss of power. */
  restart(now_s: number): void {
    this.#began_s = now_s;
    this.#firstScan = 0;
    this.#handedOut = 0;
  }

  /** Scans written before `now_s`. */
  count(now_s: number): number {
    return this.#firstScan + Math.max(0, Math.floor((now_s - this.#began_s) / this.#period_s) + 1);
  }

  /** The reply to a request at `now_s`; an exception where nothing stands. */
  answer(pdu: Uint8Array, now_s: number): Uint8Array {
    const view = new DataView(pdu.buffer, pdu.byteOffset, pdu.byteLength);
    const { store, width } = this.#burst;
    const address = view.getUint16(1);
    if (store.kind === 'queue') return this.#queue(pdu, now_s);
    const registers = view.getUint16(3);
    const end = this.count(now_s);
    const reply = new DataView(new ArrayBuffer(2 + 2 * registers));
    reply.setUint8(0, pdu[0]!);
    reply.setUint8(1, 2 * registers);
    for (let i = 0; i < registers; i++) {
      const at = address + i;
      const word = at - store.address;
      const inRing = word >= 0 && word < store.depth * width;
      const inIndex = at - store.index.address;
      if (!inRing && (inIndex < 0 || inIndex > 1)) return Uint8Array.of(pdu[0]! | 0x80, 2);
      const index = end % store.indexWraps;
      const place = Math.floor(word / width);
      // The newest scan at this place of the ring that was written before now.
      const scan = end - 1 - ((((end - 1 - place) % store.depth) + store.depth) % store.depth);
      const high = store.index.type === 'uint32' && inIndex === 0;
      reply.setUint16(
        2 + 2 * i,
        inRing ? sampleOf(scan, word % width) : high ? Math.floor(index / 65536) : index % 65536,
      );
    }
    return new Uint8Array(reply.buffer);
  }

  #queue(pdu: Uint8Array, now_s: number): Uint8Array {
    const { width } = this.#burst;
    const scans = Math.min(Math.floor(30 / width), this.count(now_s) - this.#handedOut);
    const registers = scans === 0 ? 0 : 1 + scans * width;
    const reply = new DataView(new ArrayBuffer(5 + 2 * registers));
    reply.setUint8(0, pdu[0]!);
    reply.setUint16(1, 2 + 2 * registers);
    reply.setUint16(3, registers);
    if (scans > 0) reply.setUint16(5, this.#handedOut & 0xffff);
    for (let i = 0; i < scans * width; i++) {
      reply.setUint16(7 + 2 * i, sampleOf(this.#handedOut + Math.floor(i / width), i % width));
    }
    this.#handedOut += scans;
    return new Uint8Array(reply.buffer);
  }
}
