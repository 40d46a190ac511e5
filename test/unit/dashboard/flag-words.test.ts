/** Every flag that the analysis can raise has a label and a meaning where flags are listed. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { flagLabel, flagWords } from '../../../dashboard/format/flag-words.ts';

const source = readFileSync(new URL('../../../daemon/analysis/verdict.ts', import.meta.url), 'utf8');
const union = /readonly code:([^;]*);/.exec(source)?.[1] ?? '';
const codes = [...union.matchAll(/'([a-z-]+)'/g)].map(([, code]) => code);

describe('words of flags', () => {
  test('every code of the analysis has its own label and a sentence', () => {
    expect(codes.length).toBeGreaterThan(20);
    expect(Object.keys(flagWords).sort()).toEqual([...codes].sort());
    const labels = Object.values(flagWords).map(([label]) => label);
    expect(new Set(labels).size).toBe(labels.length);
    for (const [label, meaning] of Object.values(flagWords)) {
      expect(label.length).toBeLessThan(24);
      expect(meaning).toMatch(/[.?]$/);
    }
  });

  test('a code of newer software is shown as it is', () => {
    expect(flagLabel('momentum-imbalance')).toBe('Momentum off');
    expect(flagLabel('some-new-thing')).toBe('some new thing');
  });
});
