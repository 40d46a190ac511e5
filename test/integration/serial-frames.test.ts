import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { Port } from '../../daemon/virtual-rig/port.ts';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import type { Driver } from '../../drivers/driver.ts';
import type { SerialFramesLineSpec } from '../../drivers/line-spec.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { FrameSource, type FrameSourceSpec, scanIndex } from '../support/frame-source.ts';
import { portFolder } from '../support/modbus-rig.ts';
import { RememberingSink } from '../support/remembering-sink.ts';

const why = whyNoPty();

const sourceSpec: FrameSourceSpec = {
  rate_Hz: 5000,
  scansPerFrame: 25,
  channels: 4,
  drift: 150e-6,
  wire_s: 0,
};

const folder = portFolder();

function lineOf(port: Port, changes: Partial<SerialFramesLineSpec> = {}): SerialFramesLineSpec {
  const { address } = port;
  return {
    driver: 'serial-frames',
    id: 'taps',
    // So slow a wire could not carry the stream: the driver must see that the speed means nothing here.
    link:
      address.kind === 'tcp' ? address : { ...address, baud: 9600, dataBits: 8, parity: 'none', stopBits: 1 },
    framing: { kind: 'binary' },
    rate_Hz: sourceSpec.rate_Hz,
    delay_s: 0,
    channels: [
      { id: 'low', source: 'analog', index: 0 },
      { id: 'high', source: 'analog', index: 1 },
      { id: 'run', source: 'digital', index: 0 },
    ],
    ...changes,
  };
}

const opened: (() => unknown)[] = [];
afterEach(async () => {
  for (const close of opened.splice(0).reverse()) await close();
});

async function makePort(kind: 'pty' | 'tcp'): Promise<Port> {
  const port = kind === 'pty' ? new PtyPort(folder.path('converter')) : await TcpPort.open();
  opened.push(() => port.close());
  return port;
}

function start(port: Port, first = 0, changes: Partial<SerialFramesLineSpec> = {}) {
  // A cable that is out takes everything; a reader that was held up nothing, for a while.
  const source = new FrameSource(sourceSpec, first, (bytes) =>
    port.isPlugged ? port.write(bytes) : bytes.length,
  );
  source.isPatient = true;
  const driver: Driver = createSerialFramesDriver(lineOf(port, changes));
  const sink = new RememberingSink(driver);
  opened.push(
    () => driver.stop(),
    () => source.stop(),
  );
  driver.start(sink);
  return { source, driver, sink };
}

/** Checks that every value stands where the block says; `first`: index of scan 0 of the driver. */
function checkIndices(sink: RememberingSink, indexOf: (scan: number) => number): void {
  for (const { scan, scans, raw } of sink.blocks) {
    for (let i = 0; i < scans; i++) {
      if (scanIndex(raw, i * 3) !== indexOf(scan + i)) {
        throw new Error(`scan ${scan + i} holds ${scanIndex(raw, i * 3)} instead of ${indexOf(scan + i)}`);
      }
    }
  }
}

const kinds = ['pty', 'tcp'] as const;

describe.each(kinds)('a converter behind a %s', (kind) => {
  beforeEach(({ skip }) => {
    if (kind === 'pty' && why !== null) skip(why);
  });

  it('is read without loss, at times that are right within what is stated', async () => {
    const { source, driver, sink } = start(await makePort(kind));
    await sink.until(() => sink.last?.state === 'open');
    source.run();
    await sink.until(() => driver.counters['scansReceived'] >= 10_000);
    expect(sink.breaches).toEqual([]);
    expect(driver.counters).toMatchObject({
      scansLost: 0,
      crcErrorsSeen: 0,
      bytesSkipped: 0,
      restartsSeen: 0,
    });
    const first = scanIndex(sink.blocks[0].raw, 0);
    checkIndices(sink, (scan) => first + scan);
    for (const { scan, time_s, halfWidth_s } of sink.blocks) {
      expect(Math.abs(time_s - source.time_s(first + scan))).toBeLessThanOrEqual(halfWidth_s);
    }
  });

  it('is found again after unplugging, the gap counted to the scan', async () => {
    const port = await makePort(kind);
    const { source, driver, sink } = start(port, 1_000_000);
    await sink.until(() => sink.last?.state === 'open');
    source.run();
    await sink.until(() => sink.blocks.length >= 40);
    port.unplug();
    await sink.until(() => sink.last?.state !== 'open');
    const before = sink.blocks.length;
    const sent = source.framesSent;
    await vi.waitUntil(() => source.framesSent > sent + 5, 20_000);
    await port.replug();
    await sink.until(() => sink.last?.state === 'open' && sink.blocks.length >= before + 40);
    const first = scanIndex(sink.blocks[0].raw, 0);
    checkIndices(sink, (scan) => first + scan);
    expect(sink.breaches).toEqual([]);
    expect(driver.counters).toMatchObject({ linksLost: 1, restartsSeen: 0 });
    expect(driver.counters['scansLost']).toBeGreaterThan(0);
    expect(sink.blocks.filter(({ lostBefore }) => lostBefore > 0).length).toBe(1);
  });

  it('counts frames that noise has hit, and only those', async () => {
    const port = await makePort(kind);
    let frames = 0;
    const noisy = new FrameSource(sourceSpec, 0, (bytes) => {
      frames++;
      if (frames % 10 === 5) bytes[60] ^= 4;
      if (frames % 10 === 8) port.write(Uint8Array.of(0xa5, 0x5a, 0x00, 0x20, 0x40));
      port.write(bytes);
    });
    const driver = createSerialFramesDriver(lineOf(port));
    const sink = new RememberingSink(driver);
    opened.push(
      () => driver.stop(),
      () => noisy.stop(),
    );
    driver.start(sink);
    await sink.until(() => sink.last?.state === 'open');
    noisy.run();
    await sink.until(() => driver.counters['scansReceived'] >= 5000);
    const first = scanIndex(sink.blocks[0].raw, 0);
    checkIndices(sink, (scan) => first + scan);
    expect(sink.breaches).toEqual([]);
    const lost = driver.counters['scansLost'] / 25;
    expect(lost).toBeGreaterThan(10);
    // One frame in ten, within the one that is under way at either end.
    expect(Math.abs(lost - (driver.counters['scansReceived'] / 25 + lost) / 10)).toBeLessThanOrEqual(1);
  });

  it('restarts, and the loss is judged by time', async () => {
    const { source, driver, sink } = start(await makePort(kind), 2_000_000);
    await sink.until(() => sink.last?.state === 'open');
    source.run();
    await sink.until(() => sink.blocks.length >= 40);
    source.restart();
    const before = sink.blocks.length;
    await sink.until(() => sink.blocks.length >= before + 40);
    expect(driver.counters['restartsSeen']).toBe(1);
    expect(sink.breaches).toEqual([]);
    const { scan, time_s, halfWidth_s } = sink.blocks.at(-1)!;
    const { raw } = sink.blocks.at(-1)!;
    expect(Math.abs(time_s - source.time_s(scanIndex(raw, 0)))).toBeLessThanOrEqual(halfWidth_s);
    // The driver's own count keeps step with time across the restart.
    const first = sink.blocks[0];
    expect(Math.abs((time_s - first.time_s) / source.period_s - scan)).toBeLessThan(25);
  });

  it('is called silent when nothing comes, and open when it comes again', async () => {
    const port = await makePort(kind);
    const { source, sink } = start(port);
    await sink.until(() => sink.last?.state === 'silent');
    expect(sink.last?.why).toMatch(/Nothing arrives/);
    source.run();
    await sink.until(() => sink.last?.state === 'open');
    source.stop();
    const noise = setInterval(() => port.write(Buffer.from('speed is wrong')), 20);
    opened.push(() => clearInterval(noise));
    await sink.until(() => sink.last?.state === 'silent');
    expect(sink.last?.why).toMatch(/no valid frame/);
  });
});
