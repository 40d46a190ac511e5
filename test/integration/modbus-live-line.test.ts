/** Two things that only a live line shows: an adapter that hears itself, and devices that sample by themselves. */
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { PtyPort, whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import type { BurstSpec, EchoMode } from '../../drivers/line-spec.ts';
import { crc16 } from '../../drivers/modbus/crc.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { writeRegisterRequest } from '../../drivers/modbus/requests.ts';
import { BurstDevice, sampleOf } from '../support/burst-device.ts';
import { channel, noRecord, portFolder, Recorder, serialLink, unitSpec } from '../support/modbus-rig.ts';
import { sealed } from '../support/rtu-slave.ts';

const why = whyNoPty();
if (why !== null) console.warn(`SKIPPED: echo and bursts on a live line (${why})`);

/** Hands over whole requests of fixed length (functions 1 to 6: 8 bytes, 24: 6 bytes), whatever the chunks. */
function eachRequest(take: (request: Uint8Array) => void): (bytes: Uint8Array) => void {
  let pending: number[] = [];
  return (bytes) => {
    pending.push(...bytes);
    for (;;) {
      const length = pending[1] === 24 ? 6 : 8;
      if (pending.length < length) return;
      const request = Uint8Array.from(pending.slice(0, length));
      if (crc16(request) !== 0) throw new Error(`not a request: ${[...request]}`);
      pending = pending.slice(length);
      take(request);
    }
  };
}

describe.skipIf(why !== null)('on a live line', () => {
  let folder: ReturnType<typeof portFolder>;
  let port: PtyPort;
  beforeEach(() => {
    folder = portFolder();
    port = new PtyPort(folder.path('bus'));
  });
  afterEach(async () => {
    await port.close();
    folder.remove();
  });

  it.each<EchoMode>(['strip', 'verify'])(
    'an echo is taken away from reads and writes, and a collision is counted (%s)',
    async (echo) => {
      let reads = 0;
      let collisions = 0;
      port.onData = eachRequest((request) => {
        const heard = request.slice();
        const isWrite = request[1] === 6;
        // Somebody else talked at the same time, once in ten reads: neither the echo nor the request is whole.
        const isCollision = !isWrite && ++reads % 10 === 0;
        if (isCollision) {
          heard[3]! ^= 0x40;
          collisions++;
        }
        port.write(heard);
        if (!isCollision) port.write(isWrite ? request : sealed(1, 3, 2, 0x12, reads & 0xff));
      });
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: 'line',
        link: serialLink(folder.path('bus')),
        echo,
        units: [unitSpec(1, [channel('holding', 7)], { isWritable: true, timeout_s: 1, retries: 0 })],
      });
      const seen = new Recorder();
      driver.start(seen);
      await seen.until(() => seen.blocks.length > 5);
      const request = writeRegisterRequest(7, 99);
      // The reply to a write is the request once more: without the filter the echo would pass for it.
      expect((await driver.write({ device: 'unit1', request, by: 'test' }, noRecord)).kind).toBe('done');
      await seen.until(() => (driver.counters['echoesMismatched'] ?? 0) >= 2 && seen.blocks.length > 15);
      await driver.stop();
      // The last may have been on its way when the line was closed.
      expect(collisions - driver.counters['echoesMismatched']!).toBeLessThanOrEqual(1);
      expect(driver.counters['echoesMismatched']).toBeLessThanOrEqual(collisions);
      // Every value was made by the device; none is a piece of an echo.
      expect(seen.blocks.every(({ raw }) => raw[0]! >> 8 === 0x12)).toBe(true);
    },
  );

  const base = {
    width: 2,
    rate_Hz: 200,
    channels: [
      { id: 'first', position: 0, type: 'uint16' },
      { id: 'second', position: 1, type: 'uint16' },
    ],
  } as const;
  const stores: Record<string, BurstSpec['store']> = {
    queue: { kind: 'queue', address: 500 },
    ring: {
      kind: 'ring',
      table: 'holding',
      address: 1000,
      depth: 400,
      index: { address: 10, type: 'uint32', wordOrder: 'ABCD' },
      indexWraps: 2 ** 32,
    },
  };
  it.each(Object.entries(stores))(
    'scans that a device keeps in a %s come whole and in order',
    async (_, store) => {
      const burst: BurstSpec = { ...base, store };
      const device = new BurstDevice({ burst, drift: 0, firstScan: 0 });
      device.restart(monotonic_s());
      port.onData = eachRequest((request) => {
        port.write(sealed(1, ...device.answer(request.slice(1, -2), monotonic_s())));
      });
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: 'line',
        link: serialLink(folder.path('bus')),
        units: [unitSpec(1, [], { timeout_s: 0.5, burst })],
      });
      const seen = new Recorder();
      driver.start(seen);
      const scans = () => seen.blocks.reduce((sum, block) => sum + block.scans, 0);
      await seen.until(() => scans() > 150);
      await driver.stop();
      const values = seen.blocks.flatMap(({ raw }) => [...raw]);
      // Each value tells its channel and scan; the first that was fetched tells where the device stood.
      const first = values[0]! / 7;
      let next = first;
      let at = 0;
      for (const block of seen.blocks) {
        if (at > 0) next += block.lostBefore;
        for (let i = 0; i < block.scans; i++, next++) {
          expect(values.slice(at, at + 2)).toEqual([sampleOf(next, 0), sampleOf(next, 1)]);
          at += 2;
        }
      }
    },
  );
});
