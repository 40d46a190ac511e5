/** The whole virtual rig as a process: its faces through the house's own drivers and through a foreign Modbus master. */
import { spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import { forkRig, forkRigs, type RigHandle } from '../../daemon/virtual-rig/fork-rig.ts';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import type { RigSpec } from '../../daemon/virtual-rig/rig-spec.ts';
import type { TripTruth } from '../../daemon/virtual-rig/truth.ts';
import type { LinkState, RawBlock } from '../../drivers/driver.ts';
import type { LinkSpec } from '../../drivers/line-spec.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';

const whyNot = whyNoPty();
if (whyNot !== null) console.warn(`SKIPPED: pseudo-terminal tests (${whyNot})`);
const hasMbpoll = spawnSync('mbpoll', ['-V']).status === 0;
if (!hasMbpoll) console.warn('SKIPPED: a foreign Modbus master (Debian package mbpoll is missing)');

const file = 'config/demo.rig.yaml';
const demo = loadRigFile(file);
const [, stream] = demo.lines;
/** Of the demo's converter: 14 header, 25 x (2 + 6 x 2) and 4 CRC bytes; 25 scans at 5 kHz. */
const frame_bytes = 368;
const frame_s = 5e-3;
let folder = '';
const running: { stop(): Promise<void> }[] = [];

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'rig-'));
});
afterEach(async () => {
  for (const item of running.splice(0).reverse()) await item.stop();
  rmSync(folder, { recursive: true, force: true });
});

function linkSpec(rig: RigHandle, line: string, parity: 'none' | 'even'): LinkSpec {
  const { address, baud } = rig.ports.find((port) => port.line === line)!;
  return address.kind === 'tcp'
    ? address
    : { kind: 'serial', path: address.path, baud, dataBits: 8, parity, stopBits: 1 };
}

/** Both drivers of the demo on a rig; blocks by line. */
function record(rig: RigHandle) {
  const blocks: Record<'bus' | 'stream', RawBlock[]> = { bus: [], stream: [] };
  const states: Record<'bus' | 'stream', LinkState['state'][]> = { bus: [], stream: [] };
  const sink = (line: 'bus' | 'stream') => ({
    block: (block: RawBlock) => blocks[line].push(block),
    state: ({ state }: LinkState) => states[line].push(state),
  });
  const slow = new ModbusDriver({
    driver: 'modbus',
    id: 'bus',
    link: linkSpec(rig, 'bus', 'even'),
    units: [
      {
        id: 'process',
        unit: 1,
        poll_s: 0.02,
        timeout_s: 0.1,
        gap_s: 0,
        maxRegisters: 125,
        maxGap: 8,
        channels: (['FT-101', 'FT-201', 'PT-301', 'LT-301'] as const).map((id, i) => ({
          id,
          table: 'input',
          address: 2 * i,
          type: 'float32',
          wordOrder: 'ABCD',
          bit: null,
        })),
      },
    ],
  });
  const fast = createSerialFramesDriver({
    driver: 'serial-frames',
    id: 'stream',
    link: linkSpec(rig, 'stream', 'none'),
    framing: { kind: 'binary' },
    rate_Hz: 5000,
    delay_s: 0,
    channels: [
      { id: 'PT-101', source: 'analog', index: 0 },
      { id: 'YS-401', source: 'digital', index: 0 },
    ],
  });
  slow.start(sink('bus'));
  fast.start(sink('stream'));
  running.push(slow, fast);
  /** Newest raw number of a channel of the bus. */
  const newest = (id: string): number | null => {
    const group = slow.groups.findIndex(({ channels }) => channels.includes(id));
    const column = slow.groups[group]!.channels.indexOf(id);
    return blocks.bus.findLast((block) => block.group === group)?.raw[column] ?? null;
  };
  return { blocks, states, slow, fast, newest };
}

async function start(
  source: string | RigSpec = file,
  options: Parameters<typeof forkRig>[1] = {},
): Promise<RigHandle> {
  const rig = await forkRig(source, { folder, ...options });
  running.push(rig);
  return rig;
}

/** The first trip of a rig of its own, forced while the water runs. */
async function forcedTrip() {
  const truths: TripTruth[] = [];
  const own = mkdtempSync(join(folder, 'trip-'));
  const rig = await start(
    { ...demo, cycle: { ...demo.cycle, pause_s: 0.1, settle_s: 0.2, trips: 1 } },
    { folder: own, onTruth: (truth) => truths.push(truth) },
  );
  const { blocks, newest } = record(rig);
  await vi.waitUntil(async () => (await rig.command({ status: true }))!.phase === 'filling', 30_000);
  // Wait for the water to run, which the bus shows (flow of leg A in m3/h).
  await vi.waitUntil(() => (newest('FT-101') ?? 0) > 150, 40_000);
  await rig.command({ trip: true });
  await vi.waitUntil(() => truths.length === 1, 40_000);
  return { rig, blocks, truths };
}

describe.skipIf(whyNot !== null)('the rig process', () => {
  it('is read by both drivers without a loss, a damaged frame or a short gap', async () => {
    // At rest, so that two looks at the tank see the same.
    const rig = await start({ ...demo, cycle: { ...demo.cycle, pause_s: 600 } });
    const { blocks, slow, fast, newest } = record(rig);
    const counted = async () => {
      const { counters, skipped_s } = (await rig.command({ status: true }))!;
      // What the rig says it could not deliver, and what it answered too late: then the machine was held up, and the rest says nothing.
      const heldUp = [counters['stream']!['bytesOverrun'], skipped_s, slow.counters['requestsTimedOut']];
      const { shortGaps, collisionsSeen, framesRefused, exceptionsSent } = counters['bus']!;
      const faults = [
        [slow.counters['crcErrorsSeen'], slow.counters['linksLost'], slow.counters['bytesDiscarded']],
        [fast.counters['crcErrorsSeen'], fast.counters['linksLost']],
        [shortGaps, collisionsSeen, framesRefused, exceptionsSent],
        blocks.stream.reduce((sum, { lostBefore }) => sum + lostBefore, 0),
      ];
      return { heldUp: JSON.stringify(heldUp), faults };
    };
    const good = { bus: 0, stream: 0 };
    for (let isClear = true; good.bus < 100 || good.stream < 400; ) {
      const before = await counted();
      const read = { bus: blocks.bus.length, stream: blocks.stream.length };
      await vi.waitUntil(
        () => blocks.bus.length > read.bus + 25 && blocks.stream.length > read.stream + 100,
        40_000,
      );
      const after = await counted();
      // After a hold-up a whole stretch is left out, too: what was cut off by then has to come first.
      const wasClear = isClear;
      isClear = before.heldUp === after.heldUp;
      if (!isClear || !wasClear) continue;
      expect(after.faults).toEqual(before.faults);
      good.bus += blocks.bus.length - read.bus;
      good.stream += blocks.stream.length - read.stream;
    }
    const status = await rig.command({ status: true });
    expect(newest('PT-301')).toBeCloseTo(status!.tank_Pa / 1e5, 1);
    // A shut valve shows the tank's pressure at its outlet.
    const first = blocks.stream.find(({ scans }) => scans > 0)!;
    expect(-1 + ((first.raw[0]! + 32_768) / 65_535) * 25).toBeCloseTo(2.9, 1);
  });

  it('sees the cable pulled and put back, and reads on', async () => {
    const rig = await start();
    const { blocks, states } = record(rig);
    await vi.waitUntil(() => blocks.bus.length > 5, 30_000);
    await rig.command({ unplug: 'bus' });
    await vi.waitUntil(() => states.bus.includes('reconnecting'), 5000);
    expect(existsSync(join(folder, 'data/ports/bus'))).toBe(false);
    await rig.command({ replug: 'bus' });
    const before = blocks.bus.length;
    await vi.waitUntil(() => blocks.bus.length > before + 5, 40_000);
    expect(states.stream.at(-1)).toBe('open');
  });

  it('switches faults on request and says what is allowed', async () => {
    const rig = await start();
    const { blocks, slow } = record(rig);
    await vi.waitUntil(() => blocks.bus.length > 5, 30_000);
    await rig.command({ fault: { line: 'bus', unit: 1, isDead: true } });
    await vi.waitUntil(() => (slow.counters['requestsTimedOut'] ?? 0) > 2, 30_000);
    await rig.command({ fault: { line: 'bus', unit: 1, isDead: false } });
    const before = blocks.bus.length;
    await vi.waitUntil(() => blocks.bus.length > before + 5, 40_000);
    await expect(rig.command({ unplug: 'tube' })).rejects.toThrow('no line tube; allowed: bus, stream');
  });

  it.skipIf(!hasMbpoll)('is read by a foreign master', async () => {
    const rig = await start();
    const { address } = rig.ports[0]!;
    if (address.kind !== 'serial') throw new Error('a pseudo-terminal was expected');
    const poll = (...args: string[]) => {
      const common = ['-m', 'rtu', '-b', '115200', '-P', 'even', '-0', '-1', '-q'];
      const done = spawnSync('mbpoll', [...common, ...args, address.path], { encoding: 'utf8' });
      return { text: done.stdout + done.stderr, code: done.status };
    };
    const floats = poll('-a', '1', '-r', '4', '-c', '1', '-t', '3:float', '-B').text;
    expect(Number(/\[4\]:\s+([\d.]+)/.exec(floats)?.[1])).toBeCloseTo(2.9, 1);
    expect(poll('-a', '1', '-r', '8', '-c', '1', '-t', '3').text).toMatch(/\[8\]:\s+18\d/);
    expect(poll('-a', '1', '-r', '0', '-c', '2', '-t', '1').text).toMatch(/\[1\]:\s+0/);
    expect(poll('-a', '2', '-r', '100', '-c', '1', '-t', '3').text).toMatch(/Illegal data address/i);
  });

  it('writes the truth of a trip, also of one that was forced, and tells it', async () => {
    let { rig, blocks, truths } = await forcedTrip();
    // A machine that holds the rig up during a trip is said in its truth; such a trip is made again.
    for (let left = 3; truths[0]!.isDisturbed && left > 0; left--)
      ({ rig, blocks, truths } = await forcedTrip());
    const [path] = readdirSync(rig.truthFolder!);
    expect(path).toBe('trip-0001.json');
    expect(JSON.parse(readFileSync(join(rig.truthFolder!, path!), 'utf8'))).toEqual(truths[0]);
    expect(truths[0]).toMatchObject({
      simulated: true,
      openLegs: ['A'],
      switchTripped_s: null,
      isDisturbed: false,
    });
    const [leg] = truths[0]!.legs;
    // The recorder's own record, on the same clock: the contact opened where the truth says.
    const open = blocks.stream.flatMap(({ raw, scans, time_s, interval_s, halfWidth_s }) =>
      Array.from({ length: scans }, (_, i) => ({
        contact: raw[2 * i + 1],
        time_s: time_s + i * interval_s,
        halfWidth_s,
      })).filter((scan) => scan.contact === 0 && scan.time_s > truths[0]!.driveLost_s),
    );
    // One scan before it the contact was still closed.
    expect(Math.abs(open[0]!.time_s - truths[0]!.contactOpened_s)).toBeLessThan(
      open[0]!.halfWidth_s + 0.4e-3,
    );
    expect(leg!.approachVelocity_mps).toBeGreaterThan(2);
    expect(leg!.seating_s! - truths[0]!.driveLost_s).toBeGreaterThan(0.3);
  });

  it('leaves out what it cannot make up for after it was stopped, and says how much', async () => {
    const rig = await start();
    const { blocks } = record(rig);
    await vi.waitUntil(() => blocks.stream.length > 20, 30_000);
    process.kill(rig.pid, 'SIGSTOP');
    const stopped_s = performance.now() / 1000;
    await vi.waitUntil(() => performance.now() / 1000 - stopped_s > 1.5, 30_000);
    process.kill(rig.pid, 'SIGCONT');
    await vi.waitUntil(async () => (await rig.command({ status: true }))!.skipped_s > 1, 30_000);
    const before = blocks.stream.length;
    await vi.waitUntil(() => blocks.stream.length > before + 20, 40_000);
    const status = (await rig.command({ status: true }))!;
    expect(status.skipped_s).toBeLessThan(60);
    // The scans that never were are a gap of known size for the recorder; so are frames that this process did not fetch in time.
    const lost_s = blocks.stream.reduce((sum, { lostBefore }) => sum + lostBefore, 0) / 5000;
    const overrun_s = (status.counters['stream']!['bytesOverrun']! / frame_bytes) * frame_s;
    expect(lost_s).toBeGreaterThan(status.skipped_s - 0.05);
    expect(lost_s).toBeLessThan(status.skipped_s + 0.05 + 2 * overrun_s);
  });

  it('plays several rigs side by side in one process', async () => {
    const rigs = await forkRigs([
      { source: file, options: { folder: join(folder, 'one') } },
      { source: { ...demo, name: 'second' }, options: { folder: join(folder, 'two') } },
    ]);
    running.push(...rigs);
    expect(rigs[0]!.pid).toBe(rigs[1]!.pid);
    expect(existsSync(join(folder, 'one/data/ports/stream'))).toBe(true);
    await rigs[0]!.stop();
    expect(existsSync(join(folder, 'one/data/ports/stream'))).toBe(false);
    expect(existsSync(join(folder, 'two/data/ports/stream'))).toBe(true);
    await vi.waitUntil(async () => (await rigs[1]!.command({ status: true }))!.time_s > 0.1, 30_000);
    await rigs[1]!.stop();
    await expect(rigs[1]!.command({ status: true })).rejects.toThrow('has ended');
    expect(() => process.kill(rigs[1]!.pid, 0)).toThrow();
  });

  it('says why it cannot start and leaves nothing behind', async () => {
    await expect(forkRig('config/nothing.rig.yaml', { folder })).rejects.toMatchObject({
      name: 'ConfigError',
      message: expect.stringContaining('there is no such file'),
    });
    const [first] = demo.lines;
    const broken = { ...demo, lines: [first!, { ...first!, id: 'more', port: 'data/ports/bus/more' }] };
    await expect(forkRig(broken, { folder })).rejects.toThrow();
    expect(existsSync(join(folder, 'data/ports/bus'))).toBe(false);
  });

  it('ends with its parent, even when that is killed', async () => {
    const script = `
      import { forkRig } from ${JSON.stringify(join(import.meta.dirname, '../../daemon/virtual-rig/fork-rig.ts'))};
      const rig = await forkRig(${JSON.stringify(file)}, { folder: ${JSON.stringify(folder)} });
      console.log(rig.pid);
    `;
    const parent = spawn(process.execPath, ['--input-type=module', '-e', script], {
      stdio: ['ignore', 'pipe', 'inherit'],
    });
    const pid = await new Promise<number>((done) => parent.stdout.once('data', (text) => done(Number(text))));
    expect(existsSync(join(folder, 'data/ports/bus'))).toBe(true);
    parent.kill('SIGKILL');
    await vi.waitUntil(() => !existsSync(join(folder, 'data/ports/bus')), 40_000);
    await vi.waitUntil(() => {
      try {
        return readFileSync(`/proc/${pid}/stat`, 'utf8').includes(') Z ');
      } catch {
        return true;
      }
    }, 40_000);
  });
});

describe('the rig process without pseudo-terminals', () => {
  it('says so in one sentence and takes TCP ports', async () => {
    const sentences: string[] = [];
    const path = process.env['PATH'];
    process.env['PATH'] = '/nonexistent';
    try {
      const rig = await start(file, { warn: (sentence) => sentences.push(sentence) });
      expect(rig.ports.map(({ address }) => address.kind)).toEqual(['tcp', 'tcp']);
    } finally {
      process.env['PATH'] = path;
    }
    expect(sentences).toHaveLength(1);
    expect(sentences[0]).toMatch(/^No pseudo-terminals here \(.+\): the lines of this rig are TCP ports/);
  });

  it('offers the same lines over TCP', async () => {
    const rig = await start({ ...demo, transport: 'tcp' });
    expect(rig.ports.map(({ address }) => address.kind)).toEqual(['tcp', 'tcp']);
    const { blocks, fast } = record(rig);
    await vi.waitUntil(() => blocks.bus.length > 20 && blocks.stream.length > 100, 40_000);
    expect(fast.counters).toMatchObject({ crcErrorsSeen: 0 });
    expect(stream?.face).toBe('converter');
  });
});
