/** The key `delay` of a channel: a record that is late, and says by how much, gives what the record in time gives. */
import { expect, test } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import { readSignals } from '../../../../daemon/analysis/reading/leg-signals.ts';
import type { EventRecord, Series } from '../../../../daemon/analysis/record.ts';
import type { LegVerdict, Measured, Result } from '../../../../daemon/analysis/verdict.ts';
import { channelOf, seriesOf } from '../../../support/independent-records.ts';
import { plainLeg, syntheticEvent, syntheticTrip_s } from '../../../support/synthetic-leg.ts';

const late_s = 0.02;
/** Time stamps are rounded to a nanosecond; a fit makes a little more of it. */
const grid_s = 1e-5;
const options = { revision: 1, software: 'test', reason: 'test' };
const parts = ['outlet', 'inlet', 'mid', 'meter', 'position'] as const;
type Part = (typeof parts)[number] | 'tank' | 'contact';

/** A series whose values are stamped 20 ms late, and its channel that states so, or does not. */
function late(series: Series, delay_s: readonly [number, number]): Series {
  const time_s = series.time_s.map((t) => t + late_s);
  return { ...series, time_s, channel: { ...series.channel, delay_s } };
}

/** The plain leg with a middle tap and a disc position besides. */
function whole(): EventRecord {
  const record = syntheticEvent(plainLeg);
  const leg = record.legs[0];
  const { time_s } = leg.outlet;
  const opening = time_s.map((t) => Math.min(1, Math.max(0, 1 - (t - syntheticTrip_s - 0.1) / 0.2)));
  const position = seriesOf(channelOf('position', 'position'), time_s, opening);
  return {
    ...record,
    legs: [{ ...leg, leg: { ...leg.leg, position: 'position' }, mid: leg.outlet, position }],
  };
}

function delayed(
  record: EventRecord,
  which: readonly Part[],
  stated_s: readonly [number, number],
): EventRecord {
  const leg = record.legs[0];
  const changed = Object.fromEntries(
    parts.flatMap((part) => {
      const series = leg[part];
      return which.includes(part) && series !== null ? [[part, late(series, stated_s)]] : [];
    }),
  );
  const of = (part: Part, series: Series | null) =>
    which.includes(part) && series !== null ? late(series, stated_s) : series;
  return {
    ...record,
    legs: [{ ...leg, ...changed }],
    tank: of('tank', record.tank),
    contact: of('contact', record.contact),
  };
}

function given(result: Result): Measured {
  if (result.value === null) throw new Error(`withheld: ${result.reason}`);
  return result;
}

const judge = (record: EventRecord): LegVerdict => analyse(record, options).legs[0];
const codes = ({ flags }: LegVerdict) => flags.map(({ code }) => code);
const instants = ['seating', 'reversal', 'closingTime', 'stopTime', 'reverseFlowTime'] as const;
const halfOf = ({ low, high }: Measured) => (high - low) / 2;

test.each([...parts, 'tank'] as const)(
  'the values of a late channel stand at their own instants: %s',
  (part) => {
    const record = whole();
    const inTime = readSignals(record, record.legs[0], 0)![part]!;
    const other = delayed(record, [part], [late_s, late_s]);
    const corrected = readSignals(other, other.legs[0], 0)![part]!;
    expect(corrected.samples.time_s).toHaveLength(inTime.samples.time_s.length);
    for (const [k, t] of corrected.samples.time_s.entries()) {
      if (Math.abs(t - inTime.samples.time_s[k]) > 2e-9) throw new Error(`sample ${k} stands at ${t} s`);
    }
  },
);

test('both taps 20 ms late and stated so: every instant as in time', () => {
  const inTime = judge(whole());
  const corrected = judge(delayed(whole(), ['outlet', 'inlet', 'mid'], [late_s, late_s]));
  for (const name of instants) {
    const [is, should] = [given(corrected.results[name]), given(inTime.results[name])];
    expect(Math.abs(is.value - should.value), name).toBeLessThan(grid_s);
    expect(Math.abs(halfOf(is) - halfOf(should)), name).toBeLessThan(grid_s);
  }
  expect(codes(corrected)).toEqual(codes(inTime));
});

test('every channel late and stated so: every number as in time', () => {
  const inTime = judge(whole());
  const all = delayed(whole(), [...parts, 'tank', 'contact'], [late_s, late_s]);
  const corrected = judge(all);
  for (const [name, result] of Object.entries(inTime.results) as [keyof LegVerdict['results'], Result][]) {
    const other = corrected.results[name];
    if (result.value === null) expect(other.value, name).toBeNull();
    else
      expect(Math.abs(given(other).value - result.value), name).toBeLessThan(
        grid_s + 1e-4 * Math.abs(result.value),
      );
  }
  expect(codes(corrected)).toEqual(codes(inTime));
});

test('the meter 20 ms late and stated so: the same approach velocity on a falling flow, and no flag', () => {
  const record = whole();
  const leg = record.legs[0];
  const meter = leg.meter!;
  // 0.5 m/s2 before the trip: 20 ms are 10 mm/s.
  const falling = meter.value.map((v, k) => v - 0.5 * Math.min(0, meter.time_s[k] - syntheticTrip_s));
  const sloping = { ...record, legs: [{ ...leg, meter: { ...meter, value: falling } }] };
  const inTime = judge(sloping);
  const corrected = judge(delayed(sloping, ['meter'], [late_s, late_s]));
  expect(given(corrected.results.approachVelocity).value).toBeCloseTo(
    given(inTime.results.approachVelocity).value,
    4,
  );
  expect(codes(corrected)).toEqual(codes(inTime));
  expect(given(judge(delayed(sloping, ['meter'], [0, 0])).results.approachVelocity).value).not.toBeCloseTo(
    given(inTime.results.approachVelocity).value,
    3,
  );
});

test('a delay known as an interval moves by its middle and widens the instants by what it leaves open', () => {
  const inTime = judge(whole());
  const corrected = judge(delayed(whole(), ['outlet', 'inlet', 'mid'], [0.015, 0.025]));
  const [is, should] = [given(corrected.results.seating), given(inTime.results.seating)];
  expect(Math.abs(is.value - should.value)).toBeLessThan(1e-4);
  // A rectangle of +-5 ms: 5 ms / sqrt 3 standard uncertainty (JCGM 100:2008, 4.3.7), 1.96 of it.
  const byDelay_s = (1.96 * 0.005) / Math.sqrt(3);
  expect(halfOf(is)).toBeCloseTo(Math.hypot(halfOf(should), byDelay_s), 4);
  expect(is.budget?.[0].source).toBe('sensor-delay');
  // Seating and reversal are late together: between them nothing is added but what rounding leaves.
  const between = given(corrected.results.reverseFlowTime);
  expect(halfOf(between) / halfOf(given(inTime.results.reverseFlowTime))).toBeCloseTo(1, 1);
});

test('late and not stated: the seating is late by it, so the key does have an effect', () => {
  const inTime = given(judge(whole()).results.seating);
  const wrong = given(judge(delayed(whole(), ['outlet', 'inlet', 'mid'], [0, 0])).results.seating);
  expect(wrong.value - inTime.value).toBeCloseTo(late_s, 4);
});

test('without a contact the knee of a late pressure stands where it belongs, with the doubt of the delay', () => {
  const noContact = { ...whole(), contact: null };
  const inTime = analyse(noContact, options);
  const corrected = analyse(delayed(noContact, ['outlet', 'inlet', 'mid'], [0.015, 0.025]), options);
  expect(corrected.tripSource).toBe('pressure-knee');
  const [is, should] = [given(corrected.legs[0].results.trip), given(inTime.legs[0].results.trip)];
  expect(Math.abs(is.value - should.value)).toBeLessThan(2e-4);
  expect(halfOf(is)).toBeCloseTo(Math.hypot(halfOf(should), (1.96 * 0.005) / Math.sqrt(3)), 3);
});
