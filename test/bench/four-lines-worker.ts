/**
 * Two polled and two streaming lines in one process, as in the recorder: `node four-lines-worker.ts JSON`, one JSON line after
 * `polls` polls of each polled line.
 */
import { sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { scanIndex } from '../support/frame-source.ts';
import { LatePolls, quantile } from '../support/late-polls.ts';

export interface FourLines {
  readonly polled: readonly string[];
  readonly streams: readonly string[];
  readonly pollBaud: number;
  readonly streamBaud: number;
  readonly poll_s: number;
  readonly rate_Hz: number;
  readonly polls: number;
}

export interface FourLinesTold {
  readonly p50_ms: number;
  readonly p99_ms: number;
  readonly max_ms: number;
  readonly slotsLost: number;
  readonly scans: number;
  /** By the index that every scan carries. */
  readonly scansLost: number;
  readonly processor_percent: number;
}

const task = JSON.parse(process.argv[2]!) as FourLines;
const warmUp = 50;

const streams = task.streams.map((path) => {
  const driver = createSerialFramesDriver({
    driver: 'serial-frames',
    id: path,
    link: { kind: 'serial', path, baud: task.streamBaud, dataBits: 8, parity: 'none', stopBits: 1 },
    framing: { kind: 'binary' },
    rate_Hz: task.rate_Hz,
    delay_s: 0,
    ignoresBaud: true,
    channels: [
      { id: 'low', source: 'analog', index: 0 },
      { id: 'high', source: 'analog', index: 1 },
      { id: 'run', source: 'digital', index: 0 },
      { id: 'third', source: 'analog', index: 2 },
      { id: 'fourth', source: 'analog', index: 3 },
    ],
  });
  const seen = { first: -1, next: 0, scans: 0 };
  driver.start({
    block({ raw, scans }) {
      const index = scanIndex(raw, 0);
      if (seen.first < 0) seen.first = index;
      seen.next = index + scans;
      seen.scans += scans;
    },
    state: () => undefined,
  });
  return seen;
});

const cpu = process.cpuUsage();
const begun_ms = performance.now();
const lines = task.polled.map((path) => new LatePolls(path, task.pollBaud, task.poll_s, () => finish()));
sharpenTimers();
for (const line of lines) line.open();

let isTold = false;

/** Tells once; polls go on until the line is written. */
function finish(): void {
  if (isTold || lines.some(({ late_s }) => late_s.length < task.polls + warmUp)) return;
  isTold = true;
  const late_ms = lines.flatMap((line) => line.sorted_ms(warmUp)).sort((a, b) => a - b);
  const { user, system } = process.cpuUsage(cpu);
  const told: FourLinesTold = {
    p50_ms: quantile(late_ms, 0.5),
    p99_ms: quantile(late_ms, 0.99),
    max_ms: quantile(late_ms, 1),
    slotsLost: lines.reduce(
      (sum, { counters }) => sum + counters['slotsLost']! + counters['slotsDelayed']!,
      0,
    ),
    scans: streams.reduce((sum, { scans }) => sum + scans, 0),
    scansLost: streams.reduce((sum, { first, next, scans }) => sum + next - first - scans, 0),
    processor_percent: (user + system) / 10 / (performance.now() - begun_ms),
  };
  process.stdout.write(`${JSON.stringify(told)}\n`, () => process.exit(0));
}
