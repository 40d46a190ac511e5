import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { TcpPort } from '../../daemon/virtual-rig/tcp-port.ts';
import type { LinkSpec, SerialFramesLineSpec } from '../../drivers/line-spec.ts';
import { anyCsv } from '../../drivers/recording/csv.ts';
import { createRecordingDriver } from '../../drivers/recording/driver.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { describeDriver } from '../support/describe-driver.ts';
import { FrameSource } from '../support/frame-source.ts';
import { portFolder, serialLink } from '../support/modbus-rig.ts';

const why = whyNoPty();
if (why !== null) console.warn(`drivers are not tested on serial ports: ${why}`);

const folder = portFolder();
const files = mkdtempSync(join(tmpdir(), 'tripwave-contract-'));
afterAll(() => {
  folder.remove();
  rmSync(files, { recursive: true, force: true });
});

/** Waits until `count` has grown by `by`. */
async function grown(count: () => number, by: number): Promise<void> {
  const end = count() + by;
  while (count() < end) await new Promise((done) => setTimeout(done, 2));
}

function framesLine(link: LinkSpec): SerialFramesLineSpec {
  return {
    driver: 'serial-frames',
    id: 'taps',
    link,
    framing: { kind: 'binary' },
    rate_Hz: 5000,
    delay_s: 0,
    channels: [
      { id: 'outlet', source: 'analog', index: 0 },
      { id: 'run', source: 'digital', index: 0 },
    ],
  };
}

async function streaming(link: LinkSpec, write: (bytes: Uint8Array) => unknown, close: () => Promise<void>) {
  const source = new FrameSource(
    { rate_Hz: 5000, scansPerFrame: 25, channels: 2, drift: 0, wire_s: 0 },
    0,
    write,
  );
  source.run();
  return {
    driver: createSerialFramesDriver(framesLine(link)),
    goOn: () => grown(() => source.framesSent, 20),
    dispose: () => {
      source.stop();
      return close();
    },
  };
}

describeDriver(
  'serial-frames over TCP',
  async () => {
    const port = await TcpPort.open();
    const { address } = port;
    if (address.kind !== 'tcp') throw new Error('no TCP address');
    return streaming(
      address,
      (bytes) => port.write(bytes),
      () => port.close(),
    );
  },
  () => createSerialFramesDriver(framesLine({ kind: 'tcp', host: '127.0.0.1', port: 1 })),
);

describeDriver(
  'recording',
  async () => {
    const path = join(files, 'loop.csv');
    const rows = Array.from({ length: 20_000 }, (_, i) => `${i / 1000},${i}\n`);
    writeFileSync(path, `t,p\n${rows.join('')}`);
    const channels = [{ id: 'outlet', column: 'p' }];
    let turns = 0;
    return {
      driver: createRecordingDriver({
        driver: 'recording',
        id: 'replay',
        path,
        speed: 1,
        channels,
        csv: anyCsv,
      }),
      goOn: () => grown(() => turns++, 20),
      dispose: () => undefined,
    };
  },
  null,
);

describe.skipIf(why !== null)('on a pseudo-terminal', () => {
  describeDriver(
    'serial-frames',
    async () => {
      const port = new PtyPort(folder.path('stream'));
      return streaming(
        serialLink(folder.path('stream'), 921_600),
        (bytes) => port.write(bytes),
        () => port.close(),
      );
    },
    () => createSerialFramesDriver(framesLine(serialLink(folder.path('nothing'), 921_600))),
  );
});
