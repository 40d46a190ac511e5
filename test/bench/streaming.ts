/**
 * A converter of 4 channels x 5 kHz on a pseudo-terminal, read by the driver while its sender runs in another process.
 * The run of the target: `node test/bench/streaming.ts --seconds 600`.
 */
import { fork } from 'node:child_process';
import { once } from 'node:events';
import { parseArgs } from 'node:util';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { type FrameSourceSpec, scanIndex } from '../support/frame-source.ts';
import { portFolder } from '../support/modbus-rig.ts';
import { type BenchRow, notMeasured } from './row.ts';

const baud = 921_600;
const frame_bytes = 14 + 25 * 10 + 4;

const source: FrameSourceSpec = {
  rate_Hz: 5000,
  scansPerFrame: 25,
  channels: 4,
  drift: 40e-6,
  wire_s: (frame_bytes * 10) / baud,
};

interface Told {
  readonly start_s: number;
  readonly next: number;
  readonly overrun: number;
}

async function ask(child: ReturnType<typeof fork>, what: string): Promise<Told> {
  child.send(what);
  const [told] = await once(child, 'message');
  return told as Told;
}

export async function bench(report: (row: BenchRow) => void, seconds = 20): Promise<void> {
  const why = whyNoPty();
  if (why !== null) {
    report(notMeasured('streaming', why));
    return;
  }
  const folder = portFolder();
  const path = folder.path('converter');
  const worker = new URL('./streaming-worker.ts', import.meta.url);
  const child = fork(worker, [path, JSON.stringify(source)], {
    serialization: 'advanced',
  });
  await once(child, 'message');
  const driver = createSerialFramesDriver({
    driver: 'serial-frames',
    id: 'taps',
    link: { kind: 'serial', path, baud, dataBits: 8, parity: 'none', stopBits: 1 },
    framing: { kind: 'binary' },
    rate_Hz: source.rate_Hz,
    delay_s: 0,
    channels: [
      { id: 'low', source: 'analog', index: 0 },
      { id: 'high', source: 'analog', index: 1 },
      { id: 'run', source: 'digital', index: 0 },
      { id: 'third', source: 'analog', index: 2 },
      { id: 'fourth', source: 'analog', index: 3 },
      { id: 'switch', source: 'digital', index: 1 },
    ],
  });
  const period_s = (1 + source.drift) / source.rate_Hz;
  let start_s = 0;
  let first = -1;
  let scans = 0;
  let wrong = 0;
  let outside = 0;
  let worst_s = 0;
  let stated_s = 0;
  const lateness_s: number[] = [];
  let heard: () => void = () => undefined;
  driver.start({
    block(block) {
      const now_s = monotonic_s();
      const index = scanIndex(block.raw, 0);
      if (first < 0) first = index;
      if (index !== first + block.scan) wrong++;
      scans += block.scans;
      const error_s = Math.abs(block.time_s - start_s - index * period_s);
      if (error_s > block.halfWidth_s) outside++;
      if (scans > source.rate_Hz) {
        worst_s = Math.max(worst_s, error_s);
        stated_s = Math.max(stated_s, block.halfWidth_s);
        lateness_s.push(now_s - start_s - (index + block.scans - 1) * period_s);
      }
    },
    state({ state }) {
      if (state === 'open') heard();
    },
  });
  await new Promise<void>((done) => {
    heard = done;
  });
  start_s = (await ask(child, 'run')).start_s;
  const cpu = process.cpuUsage();
  const from_s = monotonic_s();
  await new Promise((done) => setTimeout(done, seconds * 1000));
  const used = process.cpuUsage(cpu);
  const share = (100 * (used.user + used.system)) / 1e6 / (monotonic_s() - from_s);
  const told = await ask(child, 'stop');
  await new Promise((done) => setTimeout(done, 200));
  await driver.stop();
  child.disconnect();
  await once(child, 'exit');
  folder.remove();

  const lost = told.next - first - scans;
  const counters = Object.entries(driver.counters)
    .filter(([name, count]) => count > 0 && name !== 'bytesReceived')
    .map(([name, count]) => `${name} ${count}`);
  report({
    name: 'streaming 4 channels x 5 kHz, samples lost',
    figure: lost * 4 + wrong,
    unit: 'samples',
    target: '0',
    meets: lost === 0 && wrong === 0,
    note: `${scans} scans in ${seconds} s; sender overrun ${told.overrun} bytes; ${counters.join(', ')}`,
  });
  report({
    name: 'streaming 4 channels x 5 kHz, processor of the reader',
    figure: Number(share.toFixed(2)),
    unit: '% of a core',
    target: '<= 10',
    meets: share <= 10,
    note: 'driver and an idle sink, user and system time; packets of 64 bytes as the wire would carry them',
  });
  lateness_s.sort((a, b) => a - b);
  const p99_ms = lateness_s[Math.floor(lateness_s.length * 0.99)] * 1e3;
  report({
    name: 'streaming, last scan of a block to its delivery, p99',
    figure: Number(p99_ms.toFixed(2)),
    unit: 'ms',
    target: '<= 20',
    meets: p99_ms <= 20,
    note: `of it ${(source.wire_s * 1e3).toFixed(2)} ms on the wire; median ${(lateness_s[lateness_s.length >> 1] * 1e3).toFixed(2)}`,
  });
  report({
    name: 'streaming, blocks whose time is wrong by more than stated',
    figure: outside,
    unit: 'blocks',
    target: '0',
    meets: outside === 0,
    note: `after 1 s: largest error ${(worst_s * 1e3).toFixed(3)} ms, largest stated half-width ${(stated_s * 1e3).toFixed(3)} ms; converter 40 ppm off, found ${(driver.readings?.['drift_ppm'] ?? 0).toFixed(1)}`,
  });
}

if (process.argv[1] === import.meta.filename) {
  const { values } = parseArgs({ options: { seconds: { type: 'string', default: '20' } } });
  await bench((row) => process.stdout.write(`${JSON.stringify(row)}\n`), Number(values.seconds));
}
