/** A TCP connection whose far end has forgotten it: nothing comes, and nothing says so. */
import { createServer, type Socket } from 'node:net';
import { afterEach, expect, it } from 'vitest';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { createSerialFramesDriver } from '../../drivers/serial-frames/driver.ts';
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';
import { channel, unitSpec } from '../support/modbus-rig.ts';
import { RememberingSink } from '../support/remembering-sink.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';

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

/** A far end that accepts connections and says nothing by itself. */
async function listen(): Promise<{ port: number; sockets: Socket[] }> {
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
  const { port } = server.address() as { port: number };
  return { port, sockets };
}

it('is opened anew after a silence, said to be silent since it began, and read when the device speaks', async () => {
  const { port, sockets } = await listen();
  const driver = createSerialFramesDriver(
    {
      driver: 'serial-frames',
      id: 'line',
      link: { kind: 'tcp', host: '127.0.0.1', port },
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
  expect(sink.states.map(({ why }) => why)).toContainEqual(expect.stringContaining('no valid data for'));
  let sequence = 0;
  const timer = setInterval(() => {
    sockets.at(-1)?.write(frame(sequence));
    sequence += 10;
  }, 10);
  closing.push(() => clearInterval(timer));
  await sink.until(() => sink.last?.state === 'open' && sink.blocks.length > 0);
  expect(sink.breaches).toEqual([]);
});

it('is said to be silent since one instant by a Modbus line too, with the next try, until a unit answers', async () => {
  const { port, sockets } = await listen();
  const driver = new ModbusDriver(
    {
      driver: 'modbus',
      id: 'line',
      link: { kind: 'tcp', host: '127.0.0.1', port },
      units: [1, 2].map((unit) => unitSpec(unit, [channel('holding', 0)], { timeout_s: 0.03 })),
    },
    1,
  );
  closing.push(() => driver.stop());
  const sink = new RememberingSink(driver);
  driver.start(sink);
  await sink.until(() => sockets.length >= 3 && sink.last?.state === 'silent');
  const silent = sink.states.filter(({ state }) => state === 'silent');
  expect(silent.length).toBeGreaterThanOrEqual(3);
  expect(new Set(silent.map(({ since_s }) => since_s)).size).toBe(1);
  const nextTries_s = silent.map(({ nextTry_s }) => nextTry_s ?? Number.NaN);
  expect(nextTries_s).toEqual(nextTries_s.toSorted((a, b) => a - b));
  expect(nextTries_s[0]).toBeGreaterThan(silent[0]!.since_s);
  // The line was open once, before anybody could know; since then nobody has answered.
  expect(sink.states.filter(({ state }) => state === 'open')).toHaveLength(1);
  const speak = setInterval(() => {
    const socket = sockets.at(-1)!;
    if (socket.listenerCount('data') > 0) return;
    const reader = new RequestReader((request) => socket.write(answerOf(request, (register) => register)));
    socket.on('data', (bytes) => reader.push(bytes));
  }, 10);
  closing.push(() => clearInterval(speak));
  await sink.until(() => sink.last?.state === 'open' && sink.blocks.length > 0);
  expect(sink.breaches).toEqual([]);
});

it('is silent since that instant also when a gateway drops connections on which nobody answers', async () => {
  const { port, sockets } = await listen();
  const driver = new ModbusDriver({
    driver: 'modbus',
    id: 'line',
    link: { kind: 'tcp', host: '127.0.0.1', port },
    units: [unitSpec(1, [channel('holding', 0)], { timeout_s: 0.03 })],
  });
  closing.push(() => driver.stop());
  const sink = new RememberingSink(driver);
  driver.start(sink);
  const silent = () => sink.states.filter(({ state }) => state === 'silent');
  for (let dropped = 0; dropped < 2; dropped++) {
    await sink.until(() => silent().length > dropped && sink.last?.state === 'silent');
    sockets.at(-1)!.destroy();
  }
  await sink.until(() => silent().length > 2);
  expect(new Set(silent().map(({ since_s }) => since_s)).size).toBe(1);
});
