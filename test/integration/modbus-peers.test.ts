import type { ChildProcess } from 'node:child_process';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import {
  channel,
  compileSlave,
  debianPython,
  endPeer,
  PtyBridge,
  portFolder,
  Recorder,
  serialLink,
  startPeer,
  unitSpec,
  whyNoLibmodbus,
  whyNoPymodbus,
} from '../support/modbus-rig.ts';

const script = new URL('../support/modbus-slave.py', import.meta.url).pathname;

const peers = [
  {
    name: 'libmodbus 3.1 (C)',
    whyNot: whyNoLibmodbus,
    start: (folder: (name: string) => string) => {
      const program = folder('slave');
      compileSlave(program);
      return startPeer(program, folder('far'), '115200', '1');
    },
  },
  {
    name: 'pymodbus 3.0',
    whyNot: whyNoPymodbus,
    start: (folder: (name: string) => string) =>
      startPeer(debianPython, script, folder('far'), '115200', '1'),
  },
];

for (const { name, whyNot, start } of peers) {
  const why = whyNoPty() ?? whyNot();
  if (why !== null) console.warn(`Modbus against ${name} is not tested: ${why}`);

  describe.skipIf(why !== null)(`against a slave made of ${name}`, () => {
    const folder = portFolder();
    let bridge: PtyBridge;
    let peer: ChildProcess;
    beforeAll(async () => {
      bridge = new PtyBridge(folder.path('near'), folder.path('far'));
      peer = await start(folder.path);
    });
    afterAll(async () => {
      await endPeer(peer);
      await bridge.close();
      folder.remove();
    });

    it('reads all four tables, values at their addresses', async () => {
      const addresses = [0, 1, 7, 8, 9, 40, 333, 334, 1000, 4999];
      const channels = (['coil', 'discrete', 'holding', 'input'] as const).flatMap((table) =>
        addresses.map((address) => channel(table, address)),
      );
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: 'line',
        link: serialLink(folder.path('near')),
        units: [unitSpec(1, channels, { poll_s: 0.2, timeout_s: 0.5, maxGap: 8 })],
      });
      const seen = new Recorder();
      driver.start(seen);
      await seen.until(() => driver.groups.every((_, g) => seen.blocks.some((b) => b.group === g)));
      await driver.stop();
      const expected: Record<string, (address: number) => number> = {
        coil: (n) => Math.floor(n / 3) & 1,
        discrete: (n) => Math.floor(n / 5) & 1,
        holding: (n) => n,
        input: (n) => n + 20000,
      };
      let values = 0;
      for (const block of seen.blocks) {
        driver.groups[block.group]!.channels.forEach((id, i) => {
          const [table, address] = id.split('-') as [string, string];
          expect(`${id} ${block.raw[i]}`).toBe(`${id} ${expected[table]!(Number(address))}`);
          values += 1;
        });
      }
      expect(values).toBeGreaterThanOrEqual(channels.length);
      expect(driver.counters['requestsTimedOut']).toBe(0);
      expect(driver.counters['bytesDiscarded']).toBe(0);
      expect(seen.lastState).toBe('stopped');
    });

    it('names the exception for an address that is not there, and goes on with the others', async () => {
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: 'line',
        link: serialLink(folder.path('near')),
        units: [unitSpec(1, [channel('holding', 10), channel('holding', 11), channel('input', 9000)])],
      });
      const seen = new Recorder();
      driver.start(seen);
      await seen.until(() => seen.blocks.length >= 20);
      await driver.stop();
      expect(driver.counters['exceptionsReceived:illegal data address']).toBeGreaterThan(5);
      expect(seen.blocks.every((block) => block.group === 0 && block.raw.join() === '10,11')).toBe(true);
      expect(driver.counters['requestsTimedOut']).toBe(0);
    });
  });
}
