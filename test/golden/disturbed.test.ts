/**
 * Records of an independent model with one thing that the rig file does not know, read as anybody's CSV (disturbed/index.json has the
 * truth): every figure that is given holds the truth, and the right thing is named. The clean ones stay as narrow as they were.
 */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { Flag, LegResults } from '../../daemon/analysis/verdict.ts';
import { readConfig } from '../../daemon/commands/check.ts';
import { recordFromCsv } from '../../daemon/commands/csv-record.ts';

const folder = new URL('disturbed/', import.meta.url).pathname;

interface Entry {
  readonly file: string;
  readonly rigFile: string;
  readonly truth: Readonly<Record<string, number>>;
}

const entries: readonly Entry[] = JSON.parse(readFileSync(`${folder}index.json`, 'utf8'));
const quiet = () => undefined;

function judge({ file, rigFile }: Entry) {
  const record = recordFromCsv(folder + file, readConfig(folder + rigFile, quiet), quiet);
  return analyse(record, { revision: 1, software: 'test', reason: 'golden' }).legs[0];
}

function truths({ truth }: Entry): Partial<Record<keyof LegResults, number>> {
  const of = (name: string) => truth[name] ?? Number.NaN;
  return {
    trip: of('trip_s'),
    reversal: of('reversal_after_trip_s'),
    seating: of('seating_after_trip_s'),
    approachVelocity: of('approach_velocity_m_per_s'),
    velocityAtSeating: -of('velocity_at_seating_m_per_s'),
    largestReverseVelocity: of('largest_reverse_velocity_m_per_s'),
    equivalentReverseVelocity: of('equivalent_reverse_velocity_m_per_s'),
    peak: 1e5 * of('peak_at_valve_bar'),
    staticAfter: 1e5 * of('static_after_bar'),
    surge: 1e5 * (of('peak_at_valve_bar') - of('static_after_bar')),
    decelerationAtReversal: of('deceleration_at_reversal_m_per_s2'),
    decelerationMean: of('approach_velocity_m_per_s') / of('reversal_after_trip_s'),
    waveSpeed: of('wave_speed_m_per_s'),
  };
}

/** Flags that name the disturbance, by a part of the file's name. */
const named: readonly (readonly [part: string, codes: readonly Flag['code'][]])[] = [
  ['lag-18ms', ['response-time-differs']],
  ['spring-impulse', ['tapping-line-rings']],
  ['lever-impulse', ['tapping-line-rings']],
  ['contact', ['instruments-misaligned']],
  ['meter-damped', ['meter-lag-differs']],
  ['hum', ['mains-hum']],
  ['leak', ['valve-leaks']],
  ['branch', ['fit-poor', 'wave-speed-differs']],
  ['expander', ['fit-poor', 'momentum-imbalance']],
  ['spring-gas', ['fit-poor']],
  ['lever-gas', ['fit-poor']],
  ['body', ['fit-poor']],
];

/** Figures that still miss the truth, so that each one mended is taken off here. */
const missed: Readonly<Record<string, readonly string[]>> = {
  'spring-branch-dn80-3m-at-5m.csv': ['waveSpeed'],
  'spring-expander-dn125-at-1m.csv': ['decelerationAtReversal'],
  'cushion-impulse-line-120Hz.csv': ['seating', 'equivalentReverseVelocity'],
};

/** Widths of the intervals of the clean records when they were first kept, in SI. */
const widths: Readonly<Record<string, Partial<Record<keyof LegResults, number>>>> = {
  'spring-clean.csv': {
    trip: 0.00504,
    reversal: 0.00625,
    seating: 0.00513,
    approachVelocity: 0.0256,
    velocityAtSeating: 0.0275,
    largestReverseVelocity: 0.0319,
    equivalentReverseVelocity: 0.0267,
    peak: 18900,
    staticAfter: 7970,
    surge: 17200,
    decelerationAtReversal: 0.536,
    decelerationMean: 0.0689,
    waveSpeed: 71,
  },
  'lever-clean.csv': {
    trip: 0.00504,
    reversal: 0.00634,
    seating: 0.00508,
    approachVelocity: 0.0257,
    velocityAtSeating: 0.0234,
    largestReverseVelocity: 0.0289,
    equivalentReverseVelocity: 0.0244,
    peak: 17600,
    staticAfter: 7960,
    surge: 15800,
    decelerationAtReversal: 0.486,
    decelerationMean: 0.0769,
    waveSpeed: 71,
  },
  'cushion-clean.csv': {
    trip: 0.00504,
    reversal: 0.0168,
    seating: 0.00701,
    approachVelocity: 0.0269,
    velocityAtSeating: 0.338,
    largestReverseVelocity: 0.502,
    equivalentReverseVelocity: 0.174,
    peak: 88100,
    staticAfter: 8960,
    surge: 87900,
    decelerationAtReversal: 1.41,
    decelerationMean: 0.506,
    waveSpeed: 71,
  },
};

/** Flags that a clean record has, too. */
const ordinary: readonly Flag['code'][] = ['meter-lag-dominates', 'softened-closure', 'cavitation-suspected'];

describe('a disturbed record', () => {
  test.each(entries.map((entry) => [entry.file, entry] as const))(
    '%s: what is given holds the truth',
    (file, entry) => {
      const { results } = judge(entry);
      const outside = Object.entries(truths(entry)).filter(([name, truth]) => {
        const result = results[name as keyof LegResults];
        return result.value !== null && !(truth >= result.low && truth <= result.high);
      });
      expect(outside.map(([name]) => name)).toEqual(missed[file] ?? []);
    },
  );

  test.each(
    entries.flatMap((entry) =>
      named
        .filter(([part]) => entry.file.includes(part))
        .map(([, codes]) => [entry.file, entry, codes] as const),
    ),
  )('%s: the right thing is named', (_, entry, codes) => {
    const seen = judge(entry).flags.map(({ code }) => code);
    for (const code of codes) expect(seen).toContain(code);
  });

  test.each(
    entries.filter(({ file }) => file.includes('lag-18ms')).map((entry) => [entry.file, entry] as const),
  )('%s: no class and no all-clear', (_, entry) => {
    const { severity, sentence, results } = judge(entry);
    expect(severity.class).toBe('unknown');
    expect(results.surge.value).toBeNull();
    expect(sentence).not.toMatch(/no slam/);
  });
});

describe('a clean record', () => {
  test.each(
    entries.filter(({ file }) => file.includes('clean')).map((entry) => [entry.file, entry] as const),
  )('%s: narrow, given and not accused', (file, entry) => {
    const { results, flags } = judge(entry);
    expect(flags.map(({ code }) => code).filter((code) => !ordinary.includes(code))).toEqual([]);
    for (const [name, width] of Object.entries(widths[file] ?? {})) {
      const result = results[name as keyof LegResults];
      if (result.value === null) throw new Error(`${name}: ${result.reason}`);
      expect(result.high - result.low, name).toBeLessThan(1.1 * width);
    }
  });
});
