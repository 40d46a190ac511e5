/** The table of metrics, and that everything which prints, stores or publishes a verdict has all of it. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../../daemon/analysis/analyse.ts';
import { metricNames, metrics, namesIn } from '../../../daemon/analysis/metrics.ts';
import { type Verdict, verdictSchema } from '../../../daemon/analysis/verdict.ts';
import { verdictText } from '../../../daemon/commands/verdict-text.ts';
import { linesOf } from '../../../daemon/publish/influx/lines.ts';
import { verdictCsv, verdictRows } from '../../../daemon/report/verdict-table.ts';
import { independentRecords, readIndependent } from '../../support/independent-records.ts';
import { swing, syntheticVerdict } from '../../support/synthetic-event.ts';

/** What receivers know: a name stays for ever, with its unit. New ones are added at any place. */
const published: Readonly<Record<string, string>> = {
  trip: 's',
  reversal: 's',
  seating: 's',
  closingTime: 's',
  stopTime: 's',
  reverseFlowTime: 's',
  discTravelTime: 's',
  staticBefore: 'Pa',
  staticAfter: 'Pa',
  peakRaw: 'Pa',
  peak: 'Pa',
  minimum: 'Pa',
  captureFraction: '1',
  surgeRaw: 'Pa',
  surge: 'Pa',
  surgeOverBefore: 'Pa',
  sag: 'Pa',
  seatingStep: 'Pa',
  ratingMargin: 'Pa',
  approachVelocity: 'm/s',
  largestReverseVelocity: 'm/s',
  velocityAtSeating: 'm/s',
  equivalentReverseVelocity: 'm/s',
  inletReverseVelocity: 'm/s',
  decelerationAtReversal: 'm/s2',
  decelerationMean: 'm/s2',
  decelerationMeter: 'm/s2',
  waveSpeed: 'm/s',
  ringFrequency: 'Hz',
  ringDecay: 's',
  reopenings: '1',
  leakVelocity: 'm/s',
  leakArea: '1',
  staticDecay: 'Pa/s',
  anchorLoad: 'N',
};

const options = { revision: 1, software: 'test', reason: 'test' };
const entry = independentRecords().find(({ sample_rate_Hz }) => sample_rate_Hz === 1000)!;
const verdict = analyse(readIndependent(entry), options);
const [leg] = verdict.legs;

const withLeg = (results: Readonly<Record<string, unknown>>): Verdict => ({
  ...verdict,
  legs: [{ ...leg, results: results as unknown as typeof leg.results }],
});
const linesFor = (verdict: Verdict): string[] =>
  linesOf({
    node: 'n',
    at_ms: 0,
    payload: { kind: 'verdict', event: 'e', verdict },
  } as unknown as Parameters<typeof linesOf>[0]);

describe('the table', () => {
  test('every published name keeps its unit', () => {
    for (const [name, unit] of Object.entries(published))
      expect(metrics, name).toMatchObject({ [name]: { unit } });
  });

  test('names and symbols are unique, and words are sentences', () => {
    for (const word of ['name', 'symbol'] as const)
      expect(new Set(metricNames.map((name) => metrics[name][word])).size).toBe(metricNames.length);
    for (const name of metricNames) expect(metrics[name].definition, name).toMatch(/^[A-Z].*\.$/);
  });

  test('every symbol of a formula stands in it and is explained once', () => {
    for (const name of metricNames) {
      const { formula, symbols } = metrics[name];
      const written = symbols.map((each) => (typeof each === 'string' ? metrics[each].symbol : each.symbol));
      expect(new Set(written).size, name).toBe(written.length);
      for (const symbol of written)
        if (!/noise|missed/.test(symbol)) expect(formula, `${name}: ${symbol}`).toContain(symbol);
    }
  });
});

describe('all of it is', () => {
  test('in a verdict, in this order and in these units', () => {
    expect(Object.keys(leg.results)).toEqual([...metricNames]);
    for (const made of [leg, syntheticVerdict('e', swing).legs[0]])
      for (const name of metricNames) {
        const result = made.results[name];
        if (result.value !== null) expect(result.unit, name).toBe(metrics[name].unit);
      }
  });

  test('printed: one line a metric', () => {
    const lines = verdictText(verdict).split('\n');
    for (const name of metricNames)
      expect(
        lines.filter((line) => line.startsWith(`  ${metrics[name].name.padEnd(32)} `)),
        name,
      ).toHaveLength(1);
  });

  test('a column of the CSV', () => {
    const [header = ''] = verdictCsv(
      verdictRows([{ id: 'e', wall_ms: 0, source: '', closedBecause: '', verdict, shape: null }]),
    );
    for (const name of metricNames) expect(header).toContain(`,${name} low,`);
  });

  test('a point for the time-series server, or counted as withheld', () => {
    const lines = linesFor(verdict);
    const points = metricNames.filter((name) => lines.some((line) => line.includes(`,metric=${name},`)));
    const withheld = metricNames.filter((name) => leg.results[name].value === null);
    expect([...points, ...withheld].sort()).toEqual([...metricNames].sort());
  });

  test('described by the API', () => {
    const { results } = JSON.parse(JSON.stringify(verdictSchema)).properties.legs.items.properties;
    const [pattern = ''] = Object.keys(results.patternProperties);
    for (const name of metricNames) {
      expect(results.description).toContain(`\`${name}\` (${metrics[name].unit})`);
      expect(name).toMatch(new RegExp(pattern));
    }
    expect('another').not.toMatch(new RegExp(pattern));
  });
});

describe('verdicts of other software', () => {
  const { surge: _gone, ...fewer } = leg.results;
  const more = { ...leg.results, newMetric: { ...leg.results.peak, unit: 'kg' } };

  test('fewer metrics are no fault', () => {
    expect(namesIn(fewer)).toEqual(metricNames.filter((name) => name !== 'surge'));
    expect(verdictText(withLeg(fewer))).not.toContain('  Surge over static  ');
    expect(linesFor(withLeg(fewer)).some((line) => line.includes('metric=surge,'))).toBe(false);
  });

  test('unknown metrics are handed on', () => {
    expect(namesIn(more).at(-1)).toBe('newMetric');
    expect(linesFor(withLeg(more)).some((line) => line.includes('metric=newMetric,'))).toBe(true);
  });
});
