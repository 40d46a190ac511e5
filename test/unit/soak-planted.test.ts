/** Each audit of the soak fails on a defect of its kind, and the soak without one passes. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { failuresOf } from '../soak/failures.ts';
import { auditCauses, spansOf, withOwed } from '../soak/fault-audit.ts';
import { goodSoak, plantedDefects, plantedTable } from '../support/planted-defects.ts';

test('a soak that is whole passes', () => {
  expect(failuresOf(goodSoak())).toEqual([]);
});

test.each(plantedDefects().map((each) => [each.audit, each.defect, each.said] as const))(
  '%s fails on: %s',
  (_audit, _defect, said) => {
    expect(said).not.toBe('nothing');
  },
);

test('test/soak/figures.md shows each defect with what is said to it', () => {
  expect(readFileSync(new URL('../soak/figures.md', import.meta.url), 'utf8')).toContain(plantedTable());
});

test('spans run from before a fault was asked for to after it was ended, a plug from pulled to plugged', () => {
  const at = (asked_s: number, fault: object) => ({ fault: fault as never, asked_s, done_s: asked_s + 0.01 });
  const spans = spansOf(
    [
      at(1, { what: 'unplug', line: 'a' }),
      at(2, { what: 'late-replies', line: 'b', isOn: true }),
      at(3, { what: 'kill-server' }),
      at(4, { what: 'replug', line: 'a' }),
      at(5, { what: 'late-replies', line: 'b', isOn: false }),
      at(6, { what: 'bit-errors', line: 'a', isOn: true }),
    ],
    9,
  );
  expect(spans).toEqual([
    { line: 'a', what: 'unplug', from_s: 1, to_s: 4.01 },
    { line: 'b', what: 'late-replies', from_s: 2, to_s: 5.01 },
    { line: 'a', what: 'bit-errors', from_s: 6, to_s: 9 },
  ]);
});

test('what a unit still owes after a fault of late replies belongs to it, and nothing asked later', () => {
  const span = { line: 'a', what: 'late-replies', from_s: 10, to_s: 12 } as const;
  const replies = [
    { tick: 11_900, delay_s: 1 },
    { tick: 12_800, delay_s: 0.7 },
    { tick: 20_000, delay_s: 0.9 },
  ];
  expect(withOwed([span], 'a', replies)).toEqual([{ ...span, to_s: 13.5 }]);
  expect(withOwed([span], 'b', replies)).toEqual([span]);
});

test('a loss is counted when the line is back: its span is as long as what was lost, and a hold-up explains one too', () => {
  const pulled = { line: 'a', what: 'unplug', from_s: 10, to_s: 12 } as const;
  const looks = [17, 17.5, 18].map((at_s) => ({ at_s, lines: { a: { scansLost: at_s === 18 ? 8000 : 0 } } }));
  const of = (more: object) => auditCauses(looks, [pulled], { from_s: 0, ...more }).unexplained.length;
  expect([of({}), of({ rates_Hz: { a: 2000 } })]).toEqual([1, 0]);
  expect([
    of({ holdUps: [{ from_s: 17.6, to_s: 17.8 }] }),
    of({ holdUps: [{ from_s: 5, to_s: 6 }] }),
  ]).toEqual([0, 1]);
});
