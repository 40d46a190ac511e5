import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { nearest } from '../../config/spelling.ts';
import { units } from '../../config/unit-table.ts';
import { formatQuantity, fromSi, kindsOfUnit, parseQuantity, toSi } from '../../config/units.ts';

const anyUnit = fc.constantFrom(...units);
const anyNumber = fc
  .double({ min: -1e9, max: 1e9, noNaN: true })
  .filter((value) => value === 0 || Math.abs(value) > 1e-9);

describe('quantities', () => {
  it('survive text and back in every unit, every spelling', () => {
    fc.assert(
      fc.property(anyUnit, fc.nat(), anyNumber, (unit, pick, number) => {
        const spellings = [unit.symbol, ...unit.aliases];
        const parsed = parseQuantity(`${number} ${spellings[pick % spellings.length]}`, unit.kind, 'x');
        expect('value' in parsed && parsed.value).toMatchObject({ value: toSi(number, unit), unit });
      }),
    );
  });

  it('format and parse within the digits shown', () => {
    fc.assert(
      fc.property(anyUnit, anyNumber, (unit, number) => {
        const text = formatQuantity(toSi(number, unit), unit, 9);
        const parsed = parseQuantity(text, unit.kind, 'x');
        // The zero of an affine scale is far from small numbers: rounding there is absolute.
        const slack = 1e-8 * Math.abs(number) + 1e-12 * Math.abs(unit.offset / unit.factor);
        expect('value' in parsed && Math.abs(fromSi(parsed.value.value, unit) - number)).toBeLessThanOrEqual(
          slack,
        );
      }),
    );
  });

  it('never read a unit of another kind', () => {
    fc.assert(
      fc.property(anyUnit, anyUnit, (unit, other) => {
        fc.pre(!kindsOfUnit(unit.symbol).includes(other.kind));
        expect(parseQuantity(`1 ${unit.symbol}`, other.kind, 'x')).toHaveProperty('why');
      }),
    );
  });

  it('answer any text, never throw, never NaN', () => {
    fc.assert(
      fc.property(fc.string({ unit: 'grapheme' }), anyUnit, (text, unit) => {
        const parsed = parseQuantity(text, unit.kind, 'x');
        expect('value' in parsed ? Number.isFinite(parsed.value.value) : parsed.why.length > 0).toBe(true);
      }),
    );
  });
});

describe('nearest spelling', () => {
  it('finds a word after any single slip of the finger', () => {
    const words = ['inletLength', 'responseTime', 'wordOrder', 'material', 'pressureSwitch'];
    fc.assert(
      fc.property(
        fc.constantFrom(...words),
        fc.nat(),
        fc.constantFrom('drop', 'double', 'swap', 'wrong'),
        (word, at, slip) => {
          const i = at % (word.length - 1);
          const slipped = {
            drop: word.slice(0, i) + word.slice(i + 1),
            double: word.slice(0, i) + word[i] + word.slice(i),
            swap: word.slice(0, i) + word[i + 1] + word[i] + word.slice(i + 2),
            wrong: `${word.slice(0, i)}#${word.slice(i + 1)}`,
          }[slip];
          expect(nearest(slipped, words)).toBe(word);
        },
      ),
    );
  });
});
