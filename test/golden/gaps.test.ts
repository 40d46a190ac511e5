/** Records of an independent model with samples missing about the seating, read as anybody's CSV: see gaps/index.json for the truth. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import { readConfig } from '../../daemon/commands/check.ts';
import { recordFromCsv } from '../../daemon/commands/csv-record.ts';

const folder = new URL('gaps/', import.meta.url).pathname;

interface Entry {
  readonly file: string;
  readonly rigFile: string;
  readonly valve: string;
  readonly truth: Readonly<Record<string, number>>;
}

const entries: readonly Entry[] = JSON.parse(readFileSync(`${folder}index.json`, 'utf8'));
const quiet = () => undefined;

function judge({ file, rigFile }: Entry) {
  const record = recordFromCsv(folder + file, readConfig(folder + rigFile, quiet), quiet);
  return analyse(record, { revision: 1, software: 'test', reason: 'golden' }).legs[0];
}

describe('samples missing about the seating', () => {
  test.each(entries.map((entry) => [entry.file, entry] as const))('%s: every figure holds', (_, entry) => {
    const { results, severity, flags, sentence } = judge(entry);
    const { truth } = entry;
    const bar = (name: string) => truth[name]! * 1e5;
    const expected: Partial<Record<keyof LegResults, number>> = {
      trip: truth['trip_s']!,
      reversal: truth['reversal_after_trip_s']!,
      seating: truth['seating_after_trip_s']!,
      approachVelocity: truth['approach_velocity_m_per_s']!,
      velocityAtSeating: -truth['velocity_at_seating_m_per_s']!,
      largestReverseVelocity: truth['largest_reverse_velocity_m_per_s']!,
      equivalentReverseVelocity: truth['equivalent_reverse_velocity_m_per_s']!,
      peak: bar('peak_at_valve_bar'),
      staticAfter: bar('static_after_bar'),
      surge: bar('peak_at_valve_bar') - bar('static_after_bar'),
      decelerationAtReversal: truth['deceleration_at_reversal_m_per_s2']!,
      waveSpeed: truth['wave_speed_m_per_s']!,
    };
    for (const [name, value] of Object.entries(expected)) {
      const result = results[name as keyof LegResults];
      expect(result.value, `${name} is given`).not.toBeNull();
      if (result.value === null) continue;
      expect(result.low, `${name} low`).toBeLessThanOrEqual(value);
      expect(result.high, `${name} high`).toBeGreaterThanOrEqual(value);
    }
    expect(results.peak).toMatchObject({ bound: 'lower' });
    expect(flags.map(({ code }) => code)).toContain('samples-missing');
    expect(sentence).toMatch(/at least \d+\.\d bar: 5\d ms of samples missing/);
    if (entry.valve !== 'cushion') {
      expect(flags.map(({ code }) => code)).not.toContain('softened-closure');
      expect(severity.class).toBe('unknown');
      expect(severity.words).toMatch(/^not judged: 5\d ms of samples missing at the seating$/);
    }
  });
});
