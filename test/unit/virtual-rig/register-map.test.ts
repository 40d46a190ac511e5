/** Word orders after the letters of drivers/line-spec.ts; the bytes of 1.0 are those of IEEE 754 binary32. */
import { describe, expect, it } from 'vitest';
import { RegisterMap, type RegisterSpec } from '../../../daemon/virtual-rig/register-map.ts';

const spec = (changes: Partial<RegisterSpec>): RegisterSpec => ({
  table: 'input',
  address: 0,
  type: 'float32',
  wordOrder: 'ABCD',
  sources: ['1'],
  scale: 1,
  offset: 0,
  ...changes,
});

const show = (changes: Partial<RegisterSpec>, count: number) =>
  [...new RegisterMap([spec(changes)], Number).registers('input', 0, count)!].map((word) =>
    word.toString(16).padStart(4, '0'),
  );

describe('a register map', () => {
  it.each([
    ['ABCD', ['3f80', '0000']],
    ['CDAB', ['0000', '3f80']],
    ['BADC', ['803f', '0000']],
    ['DCBA', ['0000', '803f']],
  ] as const)('shows 1.0 as float32 in order %s', (wordOrder, words) => {
    expect(show({ wordOrder }, 2)).toEqual(words);
  });

  it('shows 64-bit values in four registers, least significant first where asked', () => {
    expect(show({ type: 'float64' }, 4)).toEqual(['3ff0', '0000', '0000', '0000']);
    expect(show({ type: 'uint64', sources: ['4886718345'], wordOrder: 'CDAB' }, 4)).toEqual([
      '6789',
      '2345',
      '0001',
      '0000',
    ]);
  });

  it('scales, rounds and holds integers at their ends', () => {
    expect(show({ type: 'int16', sources: ['291.45'], scale: 0.1, offset: 273.15 }, 1)).toEqual(['00b7']);
    expect(show({ type: 'int16', sources: ['-2'] }, 1)).toEqual(['fffe']);
    expect(show({ type: 'uint16', sources: ['70000'] }, 1)).toEqual(['ffff']);
    expect(show({ type: 'uint16', sources: ['-5'] }, 1)).toEqual(['0000']);
  });

  it('packs several states into a status word', () => {
    expect(show({ type: 'uint16', sources: ['1', '0', '1'] }, 1)).toEqual(['0005']);
  });

  it('reads a value once for all its registers', () => {
    let reading = 0;
    const map = new RegisterMap([spec({ type: 'uint32' })], () => (reading += 0x10001));
    expect([...map.registers('input', 0, 2)!]).toEqual([1, 1]);
    expect([...map.registers('input', 1, 1)!]).toEqual([2]);
  });

  it('has no registers beside those given', () => {
    const map = new RegisterMap([spec({}), spec({ table: 'discrete', type: 'bit' })], Number);
    expect(map.registers('input', 1, 2)).toBeNull();
    expect(map.registers('holding', 0, 1)).toBeNull();
    expect(map.bits('discrete', 0, 2)).toBeNull();
    expect([...map.bits('discrete', 0, 1)!]).toEqual([1]);
  });

  it('refuses two values in one place', () => {
    expect(() => new RegisterMap([spec({}), spec({ address: 1 })], Number)).toThrow('input 1 is used twice');
  });
});
