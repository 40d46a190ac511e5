import { type AddressInfo, createServer, type Socket } from 'node:net';
import fc from 'fast-check';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type {
  ModbusChannelSpec,
  ModbusTable,
  ModbusType,
  ModbusUnitSpec,
  WordOrder,
} from '../../drivers/line-spec.ts';
import { ModbusDriver } from '../../drivers/modbus/driver.ts';
import { Recorder } from '../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';

/** Register n of every unit; anything, but the same each time it is asked. */
const registerAt = (n: number): number => (n * 40503 + 12345) & 0xffff;

/** Registers that a value of each type takes, by the definitions. */
const registersOf: Readonly<Record<ModbusType, number>> = {
  bit: 1,
  int16: 1,
  uint16: 1,
  int32: 2,
  uint32: 2,
  float32: 2,
  int64: 4,
  uint64: 4,
  float64: 4,
  bcd16: 1,
  bcd32: 2,
  bcd64: 4,
};

/**
 * What a channel must read, by the definitions: the words in order of significance, then the bytes. Written without
 * looking at the driver, with shifts where that has views.
 */
function expectedValue({ table, address, type, wordOrder, bit }: ModbusChannelSpec): number | null {
  if (table === 'coil' || table === 'discrete') return registerAt(address) & 1;
  let words = Array.from({ length: registersOf[type] }, (_, i) => registerAt(address + i));
  if (wordOrder === 'CDAB' || wordOrder === 'DCBA') words = words.reverse();
  if (wordOrder === 'BADC' || wordOrder === 'DCBA') words = words.map((w) => ((w & 0xff) << 8) | (w >> 8));
  const whole = words.reduce((value, word) => (value << 16n) | BigInt(word), 0n);
  if (bit !== null) return Number((whole >> BigInt(bit)) & 1n);
  const bits = 16 * words.length;
  if (type.startsWith('bcd')) {
    const digits = whole.toString(16);
    return /^\d+$/.test(digits) ? Number(digits) : null;
  }
  if (type.startsWith('int')) return Number(BigInt.asIntN(bits, whole));
  if (type.startsWith('uint')) return Number(whole);
  const view = new DataView(new ArrayBuffer(8));
  view.setBigUint64(0, whole << BigInt(64 - bits));
  const value = type === 'float32' ? view.getFloat32(0) : view.getFloat64(0);
  return Number.isFinite(value) ? value : null;
}

const registerTypes = (Object.keys(registersOf) as ModbusType[]).filter((type) => type !== 'bit');
const channel = fc
  .record({
    table: fc.constantFrom<ModbusTable>('coil', 'discrete', 'holding', 'input'),
    address: fc.integer({ min: 0, max: 300 }),
    type: fc.constantFrom(...registerTypes),
    wordOrder: fc.constantFrom<WordOrder>('ABCD', 'CDAB', 'BADC', 'DCBA'),
    bit: fc.option(fc.integer({ min: 0, max: 15 }), { freq: 5 }),
  })
  .map(({ table, address, type, wordOrder, bit }): Omit<ModbusChannelSpec, 'id'> => {
    if (table === 'coil' || table === 'discrete')
      return { table, address, type: 'bit', wordOrder, bit: null };
    return bit === null
      ? { table, address, type, wordOrder, bit }
      : { table, address, type: 'uint16', wordOrder, bit };
  });
const unit = (address: number): fc.Arbitrary<ModbusUnitSpec> =>
  fc
    .record({
      maxRegisters: fc.integer({ min: 4, max: 125 }),
      maxGap: fc.integer({ min: 0, max: 20 }),
      channels: fc.array(channel, { minLength: 1, maxLength: 15 }),
    })
    .map(({ maxRegisters, maxGap, channels }) => ({
      id: `u${address}`,
      unit: address,
      poll_s: 0.05,
      timeout_s: 1,
      gap_s: 0,
      maxRegisters,
      maxGap,
      channels: channels.map((spec, i) => ({ ...spec, id: `u${address}c${i}` })),
    }));

describe('driver', () => {
  /** How replies are cut: the lengths of the pieces, used in turn. */
  let pieces: readonly number[] = [];
  const server = createServer((socket: Socket) => {
    socket.setNoDelay(true);
    socket.on('error', () => undefined);
    let turn = 0;
    const reader = new RequestReader((request) => {
      const answer = answerOf(request, registerAt);
      for (let from = 0; from < answer.length; ) {
        const to = from + pieces[turn++ % pieces.length]!;
        socket.write(answer.subarray(from, to));
        from = to;
      }
    });
    socket.on('data', (bytes) => reader.push(bytes));
  });
  beforeAll(() => new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve)));
  afterAll(() => new Promise((resolve) => server.close(resolve)));

  it('reads every channel as its device holds it, whatever the plan and the pieces', async () => {
    const { port } = server.address() as AddressInfo;
    let values = 0;
    await fc.assert(
      fc.asyncProperty(
        unit(1),
        unit(17),
        fc.array(fc.integer({ min: 1, max: 40 }), { minLength: 1, maxLength: 8 }),
        async (first, second, cut) => {
          pieces = cut;
          const units = [first, second];
          const driver = new ModbusDriver({
            driver: 'modbus',
            id: 'line',
            link: { kind: 'tcp', host: '127.0.0.1', port },
            units,
          });
          const seen = new Recorder();
          driver.start(seen);
          await seen.until(() => driver.groups.every((_, g) => seen.blocks.some((b) => b.group === g)));
          await driver.stop();
          const specs = new Map(units.flatMap(({ channels }) => channels.map((spec) => [spec.id, spec])));
          const covered = new Set<string>();
          for (const block of seen.blocks) {
            const ids = driver.groups[block.group]!.channels;
            const expected = ids.map((id) => expectedValue(specs.get(id)!));
            expect([...block.raw]).toEqual(expected.map((value) => value ?? 0));
            // A device's NaN or infinity is marked, and only that.
            expect(block.quality[0]! !== 0).toBe(expected.includes(null));
            for (const id of ids) covered.add(id);
            values += ids.length;
          }
          expect(covered.size).toBe(specs.size);
        },
      ),
      { numRuns: 40 },
    );
    expect(values).toBeGreaterThan(300);
  });
});
