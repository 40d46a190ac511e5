/**
 * Fetches the scans that a device took by itself and kept, in blocks of up to 125 registers: kilohertz through a slow line.
 * Either of two register conventions, both open, for the author of a firmware:
 *
 * RING. `depth` scans of `width` registers each stand one after the other from `address` on. The index (uint16 or uint32)
 * counts the scans written since the device began and wraps at `indexWraps`; scan number n stands at place n modulo
 * depth. The device writes a scan first and counts it after that, so what is below the index is whole:
 *
 *     index 4 -> holding 0: 00 00 00 04    depth 3, width 2 -> holding 100: [scan 3][scan 1][scan 2]
 *
 * QUEUE (function 24, at most 31 registers a reply). The first register is the number of the first scan in the queue, its
 * low 16 bits; whole scans follow, oldest first, each handed out once.
 *
 * A ring is read only below an index that was read before, and a block is taken only if the device, at twice its nominal rate,
 * could not have come round meanwhile: else it was overrun, and the missing scans are counted as lost. Times come from the
 * count and when it was read: of a ring by `count-clock.ts`, of a queue by `serial-frames/clock.ts`. No clock and no line inside.
 */
import type { Counters, RawBlock, Readings } from '../driver.ts';
import type { BurstSpec, ModbusTable, ModbusUnitSpec, RegisterSpan } from '../line-spec.ts';
import { ScanClock } from '../serial-frames/clock.ts';
import { type ScanSight, ScanStream } from '../serial-frames/scan-stream.ts';
import { CountClock } from './count-clock.ts';
import { decode } from './decode.ts';
import { dataBytes, readLimit } from './protocol.ts';
import { queueLimit, type Request, readQueueRequest, readRequest } from './requests.ts';

/** Scans are fetched when so much time of them has gathered, in s: a trip must not wait long. */
const gathering_s = 0.04;

/** Reads of the ring have at least so many registers: shorter ones are left to the index and the probe. */
const leastRegisters = 3;

/** Counts that stay later than this were not delayed, the device stood still, in s. */
const standstill_s = 0.05;

/** Pause before the next try after a reply that did not come, in s. */
const retry_s = 0.02;

/** Multiples of it, modulo 1, fall evenly. */
const goldenRatio = 0.618;

/** Scans of `width` registers that one request brings, at most and at least; a device that cannot has a most below the least. */
export function scansPerRead(
  { kind }: Pick<BurstSpec['store'], 'kind'>,
  width: number,
  maxRegisters: number,
): { readonly most: number; readonly least: number } {
  if (kind === 'queue') return { most: Math.floor((queueLimit - 1) / width), least: 1 };
  return {
    most: Math.floor(Math.min(readLimit.registers, maxRegisters) / width),
    least: Math.ceil(leastRegisters / width),
  };
}

/** A ring holds so many of its shortest reads at least: one may be written over while the other is fetched. */
export const leastReadsInRing = 2;

type Step =
  | { readonly kind: 'index' }
  | { readonly kind: 'queue' }
  /** `skipped`: scans read along before those that are wanted. */
  | { readonly kind: 'block'; readonly scans: number; readonly skipped: number };

export class BurstReader {
  readonly spec: ModbusUnitSpec;
  readonly burst: BurstSpec;
  readonly counters: Counters = { blocksDiscarded: 0 };
  readonly #period_s: number;
  /** Scans of the longest read. */
  readonly #most: number;
  /** Scans of the shortest one. */
  readonly #least: number;
  /** Scans worth a read. */
  readonly #wanted: number;
  /** Scans that are read although one more was hoped for. */
  readonly #enough: number;
  readonly #stream: ScanStream;
  readonly #fields: readonly { readonly offset: number; readonly isSigned: boolean }[];
  #emit: (block: RawBlock) => void = () => undefined;
  #step: Step | null = null;
  #due_s = Number.NEGATIVE_INFINITY;
  /** Scans the device has written, running, and when that was read: middle and half-width; null before the first. */
  #count: { scans: number; time_s: number; half_s: number } | null = null;
  /** Next scan to fetch. */
  #next = 0;
  #turn = 0;

  /** Throws RangeError when a scan is longer than a read. */
  constructor(spec: ModbusUnitSpec) {
    const { burst } = spec;
    if (burst === undefined) throw new RangeError(`unit ${spec.id} has no burst`);
    this.spec = spec;
    this.burst = burst;
    this.#period_s = 1 / burst.rate_Hz;
    const { store, width } = burst;
    const { most, least } = scansPerRead(store, width, spec.maxRegisters);
    this.#most = most;
    this.#least = least;
    if (most < least) {
      throw new RangeError(`unit ${spec.id}: scans of ${width} registers do not fit its reads`);
    }
    if (store.kind === 'ring' && store.depth < leastReadsInRing * least) {
      throw new RangeError(`unit ${spec.id}: a ring of ${store.depth} scans is too short to be read`);
    }
    const gathered = Math.ceil(burst.rate_Hz * gathering_s);
    const roomy = store.kind === 'ring' ? Math.floor(store.depth / 4) : Math.floor(most / 2);
    this.#wanted = Math.max(1, Math.min(Math.max(least, gathered), most, Math.max(1, roomy)));
    this.#enough = Math.max(1, this.#wanted - 1);
    this.#fields = burst.channels.map(({ position, type }) => ({
      offset: 2 * position,
      isSigned: type === 'int16',
    }));
    this.#stream = new ScanStream(
      burst.channels.length,
      false,
      standstill_s + 4 * this.#period_s,
      this.counters,
      (block) => this.#publish(block),
      store.kind === 'ring' ? CountClock : ScanClock,
    );
  }

  get readings(): Readonly<Readings> {
    return this.#stream.readings;
  }

  /** Where the blocks go; their `group` is 0. */
  set emit(emit: (block: RawBlock) => void) {
    this.#emit = emit;
  }

  /** What is read of it: for the choice of a probe. */
  get spans(): readonly RegisterSpan[] {
    const { store, width } = this.burst;
    if (store.kind === 'queue') return [];
    const { table, address, depth, index } = store;
    const count = index.type === 'uint32' ? 2 : 1;
    return [
      { table, address: index.address, count },
      { table, address, count: Math.min(readLimit.registers, depth * width) },
    ];
  }

  /** Whether a read of the ring may have a reply of so many bytes. */
  takes(table: ModbusTable, bytes: number): boolean {
    const { store } = this.burst;
    return store.kind === 'ring' && store.table === table && bytes >= dataBytes(table, leastRegisters);
  }

  /** When the next request is wanted. */
  get due_s(): number {
    return this.#due_s;
  }

  /** The request to send now. */
  next(now_s: number): Request {
    const { store, width } = this.burst;
    if (store.kind === 'queue') {
      this.#step = { kind: 'queue' };
      return readQueueRequest(store.address);
    }
    const count = this.#count;
    const available = count === null ? 0 : count.scans - this.#next;
    if (count === null || available < this.#enough || this.#isOverrun(now_s)) {
      this.#step = { kind: 'index' };
      return readRequest(store.table, store.index.address, store.index.type === 'uint32' ? 2 : 1);
    }
    const place = this.#next % store.depth;
    const scans = Math.min(this.#most, available, store.depth - place);
    // Other scans are read along where there are few, to keep the length off a probe's: older ones, or at the ring's start
    // what stands behind.
    const more = Math.max(0, this.#least - scans);
    const skipped = Math.min(more, place);
    this.#step = { kind: 'block', scans, skipped };
    return readRequest(store.table, store.address + (place - skipped) * width, (scans + more) * width);
  }

  /** The reply to the latest `next`; the unit put it together between the two instants. */
  take(data: Uint8Array, from_s: number, to_s: number): void {
    const step = this.#step;
    this.#step = null;
    if (step === null) return;
    if (step.kind === 'index') this.#takeIndex(data, from_s, to_s);
    else if (step.kind === 'queue') this.#takeQueue(data, from_s, to_s);
    else this.#takeBlock(step, data, to_s);
  }

  /** The latest request was not answered, or with an exception. */
  fail(now_s: number): void {
    this.#step = null;
    this.#due_s = now_s + retry_s;
  }

  /** The line was away: what the device did meanwhile is found out by its count. */
  flush(): void {
    this.#stream.flush();
  }

  #takeIndex(data: Uint8Array, from_s: number, to_s: number): void {
    const { store, rate_Hz } = this.burst;
    if (store.kind !== 'ring') return;
    const { index, indexWraps, depth } = store;
    const channel = { ...index, id: '', table: store.table, bit: null };
    const raw = decode(channel, index.address, data);
    const time_s = (from_s + to_s) / 2;
    const half_s = (to_s - from_s) / 2;
    const last = this.#count;
    if (last === null) {
      // What the ring holds from before is old; what comes is wanted.
      this.#count = { scans: raw, time_s, half_s };
      this.#next = raw;
    } else {
      const expected = (time_s - last.time_s) * rate_Hz;
      const grown = growth(last.scans, raw, indexWraps, expected);
      const most = 2 * rate_Hz * (to_s - last.time_s + last.half_s) + 1;
      // An index that fell went round or began anew: only the elapsed time decides which.
      const slack = raw < last.scans % indexWraps ? 0 : depth + rate_Hz;
      if (grown > most + slack) this.#restart(raw, time_s, half_s);
      else this.#count = { scans: last.scans + grown, time_s, half_s };
    }
    this.#stream.observe(this.#sight());
    this.#skipOverrun(to_s);
    this.#plan(to_s);
  }

  /** What the latest count says of time: its last scan was taken before the end of its exchange, the next one after the begin. */
  #sight(): ScanSight {
    const { scans, time_s, half_s } = this.#count!;
    return { index: scans - 1, notAfter_s: time_s + half_s, notBefore_s: time_s - half_s };
  }

  #restart(raw: number, time_s: number, half_s: number): void {
    this.#stream.restart(time_s);
    this.#count = { scans: raw, time_s, half_s };
    this.#next = raw;
  }

  /** First scan that surely still stood in the ring at `now_s`, if the device wrote at twice its rate. */
  #oldest(now_s: number): number {
    const { store, rate_Hz } = this.burst;
    const count = this.#count!;
    if (store.kind !== 'ring') return 0;
    const since_s = now_s - (count.time_s - count.half_s);
    return count.scans + Math.ceil(2 * rate_Hz * since_s) + 1 - store.depth;
  }

  #isOverrun(now_s: number): boolean {
    return this.#next < this.#oldest(now_s);
  }

  /** Gives up the scans that the device wrote over, and as many again as it may write over before they are read. */
  #skipOverrun(now_s: number): void {
    const count = this.#count!;
    if (!this.#isOverrun(now_s)) return;
    this.counters['blocksDiscarded']! += 1;
    this.#next = Math.max(this.#next, Math.min(count.scans, this.#oldest(now_s) + this.#most));
  }

  #takeBlock({ scans, skipped }: Extract<Step, { kind: 'block' }>, data: Uint8Array, to_s: number): void {
    const count = this.#count!;
    if (this.#isOverrun(to_s)) {
      // Part of it may have been written over while it was read: the index shows how far.
      this.#due_s = to_s;
      return;
    }
    this.#append(data, skipped, this.#next, scans);
    this.#next += scans;
    // The last scan fetched is so many periods older than the last one counted.
    const age_s = (count.scans - this.#next) * this.#period_s;
    this.#stream.endRead(count.time_s - age_s, this.#sight());
    this.#plan(to_s);
  }

  #takeQueue(data: Uint8Array, from_s: number, to_s: number): void {
    const { width, rate_Hz } = this.burst;
    const scans = Math.floor((data.length / 2 - 1) / width);
    const time_s = (from_s + to_s) / 2;
    const isFull = data.length === 2 * queueLimit;
    this.#due_s = isFull ? to_s : to_s + this.#wanted * this.#period_s;
    if (data.length < 2 || scans < 1) return;
    const raw = (data[0]! << 8) | data[1]!;
    const last = this.#count;
    let first = raw;
    if (last !== null) {
      const expected = Math.max(0, (time_s - last.time_s) * rate_Hz - scans);
      const grown = growth(last.scans, raw, 2 ** 16, expected);
      if (grown > 2 * expected + rate_Hz + queueLimit) this.#restart(raw, time_s, 0);
      else first = last.scans + grown;
    }
    this.#append(data.subarray(2), 0, first, scans);
    this.#count = { scans: first + scans, time_s, half_s: (to_s - from_s) / 2 };
    this.#stream.endRead(time_s);
  }

  #append(data: Uint8Array, skipped: number, first: number, scans: number): void {
    const stride = 2 * this.burst.width;
    const { scratch } = this.#stream;
    let to = this.#stream.append(first, scans, this.#period_s, 0);
    for (let scan = 0; scan < scans; scan++) {
      const from = (skipped + scan) * stride;
      for (const { offset, isSigned } of this.#fields) {
        const raw = (data[from + offset]! << 8) | data[from + offset + 1]!;
        scratch[to++] = isSigned && raw > 0x7fff ? raw - 0x10000 : raw;
      }
    }
  }

  /**
   * When enough will have gathered, by the disciplined clock. A little before or after, in turn: a count that is always read at
   * the same place between two scans would never tell how early the last one was taken.
   */
  #plan(now_s: number): void {
    const count = this.#count!;
    if (count.scans - this.#next >= this.#enough) {
      this.#due_s = now_s;
      return;
    }
    const last = this.#next + this.#wanted - 1;
    const taken_s = this.#stream.predict_s(last) ?? count.time_s + (last + 1 - count.scans) * this.#period_s;
    this.#turn = (this.#turn + goldenRatio) % 1;
    this.#due_s = Math.max(now_s, taken_s + (this.#turn - 0.25) * this.#period_s);
  }

  /** A queue may have been read anywhere in its exchange; the clock of a ring decides. */
  #publish(block: RawBlock): void {
    const more_s = this.burst.store.kind === 'queue' ? (this.#count?.half_s ?? 0) : 0;
    this.#emit({ ...block, halfWidth_s: block.halfWidth_s + more_s });
  }
}

/** How far a running count went on from `from` to one that reads `raw` and wraps, in the laps that come nearest to `expected`. */
function growth(from: number, raw: number, wraps: number, expected: number): number {
  const lap = (((raw - from) % wraps) + wraps) % wraps;
  return lap + wraps * Math.max(0, Math.round((expected - lap) / wraps));
}
