/** Everyday spellings: each means one word of its list, and one that may mean several is refused with them. */
import { describe, expect, test } from 'vitest';
import {
  chooseWord,
  everydayMaterials,
  everydayQuantities,
  everydayRestraints,
  everydayValves,
} from '../../../config/everyday.ts';
import { kinds, type UnitKind } from '../../../config/unit-table.ts';
import { findUnit, unitsOf } from '../../../config/units.ts';
import { pipeMaterials } from '../../../daemon/hydraulics/pipe.ts';

const materials = pipeMaterials.map(({ name }) => name);
const valves = ['swing', 'tilting-disc', 'dual-plate', 'axial', 'ball', 'other'];
const restraints = ['upstream-anchored', 'anchored', 'expansion-joints'];
const quantities = ['pressure', 'velocity', 'flow', 'level', 'temperature', 'speed', 'position', 'state'];

const lists = [
  ['material', everydayMaterials, materials],
  ['valve', everydayValves, valves],
  ['restraint', everydayRestraints, restraints],
  ['quantity', everydayQuantities, quantities],
] as const;

describe.each(lists)('the spellings of a %s', (_, everyday, words) => {
  test('belong to a word of the list, and each to one alone', () => {
    expect(Object.keys(everyday.same).filter((word) => !words.includes(word))).toEqual([]);
    for (const [word, spellings] of Object.entries(everyday.same))
      for (const spelling of [word, ...spellings])
        expect(chooseWord(spelling, words, everyday), spelling).toEqual({ value: word });
  });

  test('that may mean several are refused with the alternatives', () => {
    for (const [spelling, meant] of Object.entries(everyday.several ?? {})) {
      const chosen = chooseWord(spelling, words, everyday);
      expect(chosen, spelling).toHaveProperty('why');
      for (const word of meant) expect('why' in chosen && chosen.why, spelling).toContain(word);
    }
  });
});

test.each([
  ['steel', 'carbon steel'],
  ['Steel', 'carbon steel'],
  ['Carbon Steel', 'carbon steel'],
  ['carbon_steel', 'carbon steel'],
  ['316L', 'stainless steel'],
  ['uPVC', 'PVC-U'],
])('%s is %s', (written, word) => {
  expect(chooseWord(written, materials, everydayMaterials)).toEqual({ value: word });
});

test('cast iron may be two materials, and a slip is still named', () => {
  expect(chooseWord('cast iron', materials, everydayMaterials)).toEqual({
    why: 'that may be ductile iron, or grey cast iron: write which',
  });
  expect(chooseWord('stainless stel', materials, everydayMaterials)).toEqual({
    why: `did you mean stainless steel? allowed: ${materials.join(', ')}`,
  });
});

test('every spelling of a unit means one unit of its kind', () => {
  for (const kind of Object.keys(kinds) as UnitKind[])
    for (const unit of unitsOf(kind))
      for (const spelling of [unit.symbol, ...unit.aliases])
        expect(findUnit(kind, spelling)?.symbol, `${kind} ${spelling}`).toBe(unit.symbol);
});

test('no spelling of a unit is another of its kind in other letters, but for milli and mega', () => {
  for (const kind of Object.keys(kinds) as UnitKind[]) {
    const owners = new Map<string, string>();
    for (const { symbol, aliases } of unitsOf(kind))
      for (const spelling of [symbol, ...aliases]) {
        const small = spelling.toLowerCase();
        expect(owners.get(small) ?? symbol, `${kind} ${spelling}`).toBe(symbol);
        owners.set(small, symbol);
      }
  }
});
