/** A TCP connection whose far end has forgotten it: nothing comes, and nothing says so. */
import { createServer, type Socket } from 'node:net';
import { afterEach, expect, it } from 'vitest';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';
import { RememberingSink } from '../support/remembering-sink.ts';

const closing: (() => unknown)[] = [];
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
});

function frame(sequence: number): Uint8Array {
  return encodeFrame({
    sequence,
    period_ns: 1_000_000,
    channels: 1,
    scans: 10,
    isWide: false,
    isOverRange: false,
    status: 0,
    digital: new Uint16Array(10),
    samples: new Int32Array(10),
  });
}

it('is opened anew after a silence, said to be silent since it began, and read when the device speaks', async () => {
  const sockets: Socket[] = [];
  const server = createServer((socket) => {
    socket.on('error', () => undefined);
    sockets.push(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  closing.push(() => {
    for (const socket of sockets) socket.destroy();
    return new Promise((resolve) => server.close(resolve));
  });
  const address = server.address() as { port: number };
  const driver = createSerialFramesDriver(
    {
      driver: 'serial-frames',
      id: 'line',
      link: { kind: 'tcp', host: '127.0.0.1', port: address.port },
      framing: { kind: 'binary' },
      rate_Hz: 1000,
      delay_s: 0,
      channels: [{ id: 'p', source: 'analog', index: 0 }],
    },
    2,
  );
  closing.push(() => driver.stop());
  const sink = new RememberingSink(driver);
  driver.start(sink);
  await sink.until(() => sockets.length >= 2 && sink.last?.state === 'silent');
  const silent = sink.states.filter(({ state }) => state === 'silent');
  expect(new Set(silent.map(({ since_s }) => since_s)).size).toBe(1);
  expect(silent[0]?.nextTry_s).toBeGreaterThan(silent[0]!.since_s);
  expect(sink.states.map(({ why }) => why)).toContainEqual(expect.stringContaining('nothing usable came'));
  let sequence = 0;
  const timer = setInterval(() => {
    sockets.at(-1)?.write(frame(sequence));
    sequence += 10;
  }, 10);
  closing.push(() => clearInterval(timer));
  await sink.until(() => sink.last?.state === 'open' && sink.blocks.length > 0);
  expect(sink.breaches).toEqual([]);
});
