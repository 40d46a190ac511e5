/** Every flag that the analysis can raise has a label and a meaning where flags are listed. */
import { describe, expect, test } from 'vitest';
import { flagCodes } from '../../../daemon/analysis/verdict.ts';
import { flagLabel, flagWords } from '../../../dashboard/format/flag-words.ts';

describe('words of flags', () => {
  test('every code of the analysis has its own label and a sentence', () => {
    expect(flagCodes.length).toBeGreaterThan(20);
    expect(Object.keys(flagWords).sort()).toEqual([...flagCodes].sort());
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
