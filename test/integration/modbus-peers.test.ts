/** Our master at slaves made of other people's libraries, over pseudo-terminals and over Modbus TCP. */
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { ModbusUnitSpec } from '../../drivers/line-spec.ts';
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
  foreignSlaves,
  type SlaveLine,
  slaveWires,
  startSlave,
  whyNoSlave,
} from '../support/foreign-slaves.ts';
import { channel, noRecord, Recorder, unitSpec } from '../support/modbus-rig.ts';

const addresses = [0, 1, 7, 8, 9, 40, 333, 334, 1000, 4999];
const channels = (['coil', 'discrete', 'holding', 'input'] as const).flatMap((table) =>
  addresses.map((address) => channel(table, address)),
);
const expected: Record<string, (address: number) => number> = {
  coil: (n) => Math.floor(n / 3) & 1,
  discrete: (n) => Math.floor(n / 5) & 1,
  holding: (n) => n,
  input: (n) => n + 20_000,
};

for (const slave of foreignSlaves) {
  for (const wire of slaveWires) {
    const why = whyNoSlave(slave, wire);
    if (why !== null) console.warn(`SKIPPED: our master at ${slave.name} over ${wire} (${why})`);

    describe.skipIf(why !== null)(`our master at ${slave.name} over ${wire}`, () => {
      let line: SlaveLine;
      beforeAll(async () => {
        line = await startSlave(slave, wire);
      });
      afterAll(() => line.end());

      function start(unit: ModbusUnitSpec, outstanding = 1) {
        const driver = new ModbusDriver({
          driver: 'modbus',
          id: 'line',
          ...line.reach,
          outstanding,
          units: [unit],
        });
        const seen = new Recorder();
        driver.start(seen);
        return { driver, seen };
      }

      it.each(wire === 'TCP' ? [1, 4] : [1])(
        'reads all four tables, values at their addresses, %i on their way',
        async (outstanding) => {
          const unit = unitSpec(1, channels, { poll_s: 0.5, timeout_s: 5, maxGap: 8 });
          const { driver, seen } = start(unit, outstanding);
          await seen.until(() =>
            driver.groups.every((_, g) => seen.blocks.some((block) => block.group === g)),
          );
          await driver.stop();
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
          expect(driver.counters['bytesDiscarded'] ?? 0).toBe(0);
          expect(driver.counters['repliesMismatched'] ?? 0).toBe(0);
          expect(seen.lastState).toBe('stopped');
        },
      );

      // A library that answers nothing there has no such test: it would be a skip that tells nothing.
      if (slave.refuses)
        it('names the exception for an address that is not there, and goes on with the others', async () => {
          const unit = unitSpec(1, [channel('holding', 10), channel('holding', 11), channel('input', 9000)], {
            poll_s: 0.1,
            timeout_s: 5,
          });
          const { driver, seen } = start(unit);
          await seen.until(
            () =>
              seen.blocks.length >= 5 &&
              (driver.counters['exceptionsReceived:illegal data address'] ?? 0) > 2,
          );
          await driver.stop();
          expect(seen.blocks.every((block) => block.group === 0 && block.raw.join() === '10,11')).toBe(true);
          expect(driver.counters['requestsTimedOut']).toBe(0);
        });

      it(`writes by functions ${slave.functions.filter((code) => code > 4)}, and reads back what it wrote`, async () => {
        const unit = unitSpec(1, [channel('holding', 100), channel('holding', 101), channel('coil', 200)], {
          isWritable: true,
          poll_s: 0.1,
          timeout_s: 5,
        });
        const { driver, seen } = start(unit);
        await seen.until(() => seen.blocks.length > 2);
        const write = (request: Request) => driver.write({ device: 'unit1', request, by: 'test' }, noRecord);
        const has = (code: number) => slave.functions.includes(code);
        const requests = [
          writeRegistersRequest(100, [has(22) ? 0x12 : 0x17, 40_000]),
          maskWriteRequest(100, 0xf2, 0x25),
          writeRegisterRequest(102, 7),
          writeCoilsRequest(200, [true, false, true]),
          writeCoilRequest(201, true),
        ].filter(({ functionCode }) => has(functionCode));
        for (const request of requests) {
          expect({ code: request.functionCode, ...(await write(request)) }).toMatchObject({
            code: request.functionCode,
            kind: 'done',
          });
        }
        if (has(23)) {
          const both = await write(readWriteRequest(100, 3, 110, [1, 2]));
          // 12h AND F2h OR 25h without F2h (Modbus Application Protocol V1.1b3, 6.16).
          expect(both.kind === 'done' && [...both.data]).toEqual([0, 0x17, 40_000 >> 8, 40_000 & 255, 0, 7]);
        }
        const from = seen.blocks.length;
        const latest = (id: string) => {
          const group = driver.groups.findIndex((one) => one.channels.includes(id));
          const block = seen.blocks.slice(from).findLast((one) => one.group === group);
          return block?.raw[driver.groups[group]!.channels.indexOf(id)];
        };
        await seen.until(() => latest('holding-101') === 40_000 && latest('coil-200') === 1);
        expect(latest('holding-100')).toBe(0x17);
        await driver.stop();
        expect(driver.counters['writesAccepted']).toBe(slave.functions.filter((code) => code > 4).length);
      });

      if (slave.refuses && !slave.functions.includes(22))
        it('is told that 22 and 23 are not there', async () => {
          const unit = unitSpec(1, [channel('holding', 100)], {
            isWritable: true,
            poll_s: 0.1,
            timeout_s: 5,
          });
          const { driver, seen } = start(unit);
          await seen.until(() => seen.blocks.length > 2);
          for (const request of [maskWriteRequest(100, 0xf2, 0x25), readWriteRequest(100, 3, 110, [1, 2])]) {
            const answer = await driver.write({ device: 'unit1', request, by: 'test' }, noRecord);
            expect(answer).toEqual({ kind: 'exception', code: 1, name: 'illegal function' });
          }
          await driver.stop();
        });
    });
  }
}
