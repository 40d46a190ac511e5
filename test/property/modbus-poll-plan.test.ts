import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ModbusChannelSpec, ModbusTable, ModbusType, ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { typeLength } from '../../drivers/modbus/decode.ts';
import { planBlocks, planProbe } from '../../drivers/modbus/poll-plan.ts';
import { dataBytes, isBitTable } from '../../drivers/modbus/protocol.ts';

const registerType = fc.constantFrom<ModbusType>('int16', 'uint16', 'int32', 'float32', 'int64', 'float64');
const channel = fc
  .record({
    table: fc.constantFrom<ModbusTable>('coil', 'discrete', 'holding', 'input'),
    address: fc.integer({ min: 0, max: 600 }),
    type: registerType,
  })
  .map(
    ({ table, address, type }): Omit<ModbusChannelSpec, 'id'> => ({
      table,
      address,
      type: isBitTable(table) ? 'bit' : type,
      wordOrder: 'ABCD',
      bit: null,
    }),
  );
const unit = fc
  .record({
    maxRegisters: fc.integer({ min: 4, max: 125 }),
    maxGap: fc.integer({ min: 0, max: 20 }),
    channels: fc.array(channel, { minLength: 1, maxLength: 60 }),
  })
  .map(
    ({ maxRegisters, maxGap, channels }): ModbusUnitSpec => ({
      id: 'u',
      unit: 1,
      poll_s: 1,
      timeout_s: 1,
      gap_s: 0,
      maxRegisters,
      maxGap,
      channels: channels.map((spec, i) => ({ ...spec, id: `c${i}` })),
    }),
  );

describe('poll plan', () => {
  it('covers every channel once, whole, within the limits', () => {
    fc.assert(
      fc.property(unit, (spec) => {
        const blocks = planBlocks(spec);
        const covered = blocks.flatMap((block) => block.channels.map((c) => c.id)).sort();
        expect(covered).toEqual(spec.channels.map((c) => c.id).sort());
        for (const block of blocks) {
          const isBits = isBitTable(block.table);
          expect(block.count).toBeLessThanOrEqual(
            isBits ? Math.min(2000, 16 * spec.maxRegisters) : spec.maxRegisters,
          );
          const used = new Set<number>();
          for (const c of block.channels) {
            expect(c.table).toBe(block.table);
            const end = c.address + typeLength[c.type];
            expect(c.address >= block.address && end <= block.address + block.count).toBe(true);
            for (let i = c.address; i < end; i++) used.add(i);
          }
          let unused = 0;
          for (let i = block.address; i < block.address + block.count; i++) {
            unused = used.has(i) ? 0 : unused + 1;
            expect(unused).toBeLessThanOrEqual(spec.maxGap * (isBits ? 16 : 1));
          }
          expect(used.has(block.address) && used.has(block.address + block.count - 1)).toBe(true);
        }
      }),
      { numRuns: 500 },
    );
  });

  it('never leaves two neighbours that one request could read', () => {
    fc.assert(
      fc.property(unit, (spec) => {
        const blocks = planBlocks(spec);
        for (let i = 1; i < blocks.length; i++) {
          const [a, b] = [blocks[i - 1]!, blocks[i]!];
          if (a.table !== b.table) continue;
          const scale = isBitTable(a.table) ? 16 : 1;
          const first = b.channels[0]!;
          const joined = Math.max(a.address + a.count, first.address + typeLength[first.type]) - a.address;
          const isFar = first.address > a.address + a.count + spec.maxGap * scale;
          expect(isFar || joined > spec.maxRegisters * scale || joined > 2000).toBe(true);
        }
      }),
      { numRuns: 500 },
    );
  });

  it('probes inside a block, and a distinct probe with a length that no block has', () => {
    fc.assert(
      fc.property(unit, (spec) => {
        const blocks = planBlocks(spec);
        const probe = planProbe(blocks);
        const inside = blocks.some(
          (b) =>
            b.table === probe.table &&
            probe.address >= b.address &&
            probe.address + probe.count <= b.address + b.count,
        );
        expect(inside).toBe(true);
        const lengths = blocks.filter((b) => b.table === probe.table).map((b) => dataBytes(b.table, b.count));
        expect(lengths.includes(dataBytes(probe.table, probe.count))).toBe(!probe.isDistinct);
      }),
      { numRuns: 500 },
    );
  });

  it('refuses a value that the unit cannot answer whole, and one past the end of the table', () => {
    const base = { id: 'c', table: 'holding', wordOrder: 'ABCD', bit: null } as const;
    const unitWith = (maxRegisters: number, address: number): ModbusUnitSpec => ({
      id: 'u',
      unit: 1,
      poll_s: 1,
      timeout_s: 1,
      gap_s: 0,
      maxRegisters,
      maxGap: 0,
      channels: [{ ...base, address, type: 'float64' }],
    });
    expect(() => planBlocks(unitWith(2, 0))).toThrow('takes 4 registers, the unit answers at most 2');
    expect(() => planBlocks(unitWith(125, 65533))).toThrow('outside 0 to 65532');
    expect(planBlocks(unitWith(4, 65532))).toHaveLength(1);
  });
});
