import type { ChildProcess } from 'node:child_process';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import {
  maskWriteRequest,
  type Request,
  readWriteRequest,
  writeCoilRequest,
  writeCoilsRequest,
  writeRegisterRequest,
  writeRegistersRequest,
} from '../../drivers/modbus/requests.ts';
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

    it('writes by every function, and reads back what it wrote', async () => {
      const driver = new ModbusDriver({
        driver: 'modbus',
        id: 'line',
        link: serialLink(folder.path('near')),
        units: [
          unitSpec(1, [channel('holding', 100), channel('holding', 101), channel('coil', 200)], {
            isWritable: true,
            timeout_s: 0.5,
          }),
        ],
      });
      const seen = new Recorder();
      driver.start(seen);
      await seen.until(() => seen.blocks.length > 2);
      const audit = { asked: async () => 1, answered: async () => undefined };
      const write = (request: Request) => driver.write({ device: 'unit1', request, by: 'test' }, audit);
      const answers = [
        await write(writeRegistersRequest(100, [0x12, 40_000])),
        await write(maskWriteRequest(100, 0xf2, 0x25)),
        await write(writeRegisterRequest(102, 7)),
        await write(writeCoilsRequest(200, [true, false, true])),
        await write(writeCoilRequest(201, true)),
      ];
      expect(answers.map(({ kind }) => kind)).toEqual(['done', 'done', 'done', 'done', 'done']);
      const both = await write(readWriteRequest(100, 3, 110, [1, 2]));
      // 12h AND F2h OR 25h without F2h (Modbus Application Protocol V1.1b3, 6.16).
      expect(both.kind === 'done' && [...both.data]).toEqual([0, 0x17, 40_000 >> 8, 40_000 & 255, 0, 7]);
      const from = seen.blocks.length;
      const latest = (id: string) => {
        const group = driver.groups.findIndex(({ channels }) => channels.includes(id));
        const block = seen.blocks.slice(from).findLast((one) => one.group === group);
        return block?.raw[driver.groups[group]!.channels.indexOf(id)];
      };
      await seen.until(() => latest('holding-101') === 40_000 && latest('coil-200') === 1);
      expect(latest('holding-100')).toBe(0x17);
      await driver.stop();
      expect(driver.counters['writesAccepted']).toBe(6);
    });
  });
}
