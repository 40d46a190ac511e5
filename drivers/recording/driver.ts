/**
 * A recording played as if it were live. Its instants are moved so that the first scan is taken when the driver starts;
 * from there they run as recorded, at any speed.
 */
import { statSync } from 'node:fs';
import { type Clock, systemClock } from '../clock.ts';
import { DataError } from '../data-error.ts';
import type { Driver, DriverSink, GroupSpec, RawBlock } from '../driver.ts';
import type { RecordingLineSpec } from '../line-spec.ts';
import { readCsvFile } from './csv.ts';
import { pickChannels, type ReadRecording, type Recording, recordingOfCsv } from './recording.ts';

/** Wait between two looks at what is due, in ms. */
const tick_ms = 5;

/** Blocks handed over in one go where speed does not matter; other work of the process gets its turn between. */
const blocksAtOnce = 64;

/**
 * Reads the file and makes its player. Throws DataError at once when the file or a column is not there: unlike a device, a
 * recording does not come back. `readTrace` reads what is not a CSV; without it only CSV files can be played.
 */
export function createRecordingDriver(
  spec: RecordingLineSpec,
  readTrace?: ReadRecording,
  clock = systemClock,
): Driver {
  if (!(spec.speed >= 0))
    throw new RangeError(`line ${spec.id}: speed ${spec.speed}, allowed are 0 and more`);
  const isTrace = /\.bin$/i.test(spec.path) || statSync(spec.path, { throwIfNoEntry: false })?.isDirectory();
  if (!isTrace) {
    const table = readCsvFile(spec.path, spec.csv);
    const recording = named(spec.path, () => recordingOfCsv(table, spec.channels));
    const counters = { rowsRefused: table.rowsRefused, cellsMissed: table.cellsMissing };
    return new RecordingDriver(spec, recording, clock, counters);
  }
  if (readTrace === undefined) throw new DataError(`${spec.path}: only CSV files can be played here`);
  return new RecordingDriver(spec, readTrace(spec.path), clock, {});
}

function named<T>(path: string, read: () => T): T {
  try {
    return read();
  } catch (error) {
    if (error instanceof DataError) throw new DataError(`${path}: ${error.message}`, { cause: error });
    throw error;
  }
}

class RecordingDriver implements Driver {
  readonly groups: readonly GroupSpec[];
  readonly counters: Record<string, number>;
  readonly #spec: RecordingLineSpec;
  readonly #clock: Clock;
  readonly #blocks: readonly RawBlock[];
  #next = 0;
  #sink: DriverSink | null = null;
  /** Calls off the next look. */
  #callOff: () => void = () => undefined;
  #isStopped = false;
  #start_s = 0;
  /** What is added to recorded instants, in s. */
  #shift_s = 0;

  constructor(spec: RecordingLineSpec, recording: Recording, clock: Clock, counters: Record<string, number>) {
    this.#clock = clock;
    const { groups, blocks } = named(spec.path, () => pickChannels(recording, spec.channels));
    this.#spec = spec;
    this.groups = groups;
    this.counters = { ...counters, scansReceived: 0, scansLost: 0 };
    // By the end: a live driver cannot deliver a block before its last scan.
    this.#blocks = blocks.toSorted((a, b) => end_s(a) - end_s(b));
  }

  start(sink: DriverSink): void {
    if (this.#sink !== null || this.#isStopped)
      throw new Error(`line ${this.#spec.id}: start after start or stop`);
    this.#sink = sink;
    this.#start_s = this.#clock.monotonic_s();
    const first_s = this.#blocks.reduce(
      (least_s, { time_s }) => Math.min(least_s, time_s),
      Number.POSITIVE_INFINITY,
    );
    this.#shift_s = this.#blocks.length > 0 ? this.#start_s - first_s : 0;
    sink.state({ state: 'open', since_s: this.#start_s, why: '' });
    this.#wait();
  }

  async stop(): Promise<void> {
    if (this.#isStopped || this.#sink === null) return;
    this.#isStopped = true;
    const sink = this.#sink;
    this.#sink = null;
    this.#callOff();
    sink.state({ state: 'stopped', since_s: this.#clock.monotonic_s(), why: '' });
  }

  #wait(): void {
    if (this.#spec.speed > 0) {
      const timer = this.#clock.setTimeout(() => this.#play(), tick_ms);
      this.#callOff = () => this.#clock.clear(timer);
    } else {
      const immediate = setImmediate(() => this.#play());
      this.#callOff = () => clearImmediate(immediate);
    }
  }

  #play(): void {
    const { speed, path } = this.#spec;
    const played_s = (this.#clock.monotonic_s() - this.#start_s) * speed;
    const due_s = speed > 0 ? this.#start_s + played_s : Number.POSITIVE_INFINITY;
    for (let count = 0; this.#next < this.#blocks.length; count++) {
      // The sink may have stopped us.
      if (this.#sink === null) return;
      const block = this.#blocks[this.#next];
      if (end_s(block) + this.#shift_s > due_s || (speed === 0 && count === blocksAtOnce)) {
        this.#wait();
        return;
      }
      this.#next++;
      this.counters['scansReceived'] += block.scans;
      this.counters['scansLost'] += block.lostBefore;
      this.#sink.block({
        ...block,
        time_s: block.time_s + this.#shift_s,
        // Ownership passes on, and a recording may be held by others, too.
        raw: block.raw.slice(),
        quality: block.quality.slice(),
      });
    }
    this.#sink?.state({
      state: 'ended',
      since_s: this.#clock.monotonic_s(),
      why: `The recording ${path} has been played to its end.`,
    });
  }
}

/** Instant of the last scan, in s. */
function end_s(block: RawBlock): number {
  return block.time_s + (block.scans - 1) * block.interval_s;
}
