/** What must hold for every record: nothing thrown, nothing that is not a number, and a clock that does not matter. */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord, Series } from '../../daemon/analysis/record.ts';
import type { Verdict } from '../../daemon/analysis/verdict.ts';
import { channelOf, seriesOf } from '../support/independent-records.ts';
import { plainLeg, syntheticEvent } from '../support/synthetic-leg.ts';

const options = { revision: 1, software: 'test', reason: 'property' };

/** Every number of a verdict is finite, ordered, and survives JSON. */
function expectSound(verdict: Verdict): void {
  for (const leg of verdict.legs) {
    for (const [name, result] of Object.entries(leg.results)) {
      if (result.value === null) expect(result.reason, name).not.toBe('');
      else {
        const { low, value, high } = result;
        expect([low, value, high].every(Number.isFinite), `${name}: ${low} ${value} ${high}`).toBe(true);
        expect(low <= value && value <= high, name).toBe(true);
      }
    }
    expect(leg.velocity.value.every(Number.isFinite)).toBe(true);
    expect(leg.sentence).toMatch(/\.$/);
  }
  expect(JSON.parse(JSON.stringify(verdict))).toEqual(verdict);
}

/** A series of any length with any values, some of them absurd, some marked bad. */
const anySeries = (id: string, quantity: 'pressure' | 'velocity' | 'state'): fc.Arbitrary<Series> =>
  fc
    .record({
      values: fc.array(
        fc.oneof(
          fc.double({ noNaN: false }),
          fc.double({ min: -2e5, max: 2e6, noNaN: true }),
          fc.constantFrom(0, 1, 4e5),
        ),
        { maxLength: 400 },
      ),
      rate_Hz: fc.constantFrom(10, 100, 1000, 5000),
      bits: fc.array(fc.constantFrom(0, 0, 0, 1, 2, 4), { maxLength: 400 }),
      begin_s: fc.double({ min: -10, max: 1e6, noNaN: true }),
    })
    .map(({ values, rate_Hz, bits, begin_s }) => ({
      ...seriesOf(
        channelOf(id, quantity, { responseTime_s: 0.0005 }),
        Float64Array.from(values, (_, k) => begin_s + k / rate_Hz),
        Float64Array.from(values),
      ),
      quality: Uint8Array.from(values, (_, k) => bits[k] ?? 0),
    }));

const maybe = (series: fc.Arbitrary<Series>) => fc.option(series, { nil: null });

/** The same record by a clock that is `offset_s` ahead. */
function delayed(record: EventRecord, offset_s: number): EventRecord {
  const move = <T extends Series | null>(series: T): T =>
    series === null ? series : { ...series, time_s: series.time_s.map((at_s) => at_s + offset_s) };
  return {
    ...record,
    tank: move(record.tank),
    contact: move(record.contact),
    pressureSwitch: move(record.pressureSwitch),
    legs: record.legs.map((leg) => ({
      ...leg,
      outlet: move(leg.outlet),
      inlet: move(leg.inlet),
      mid: move(leg.mid),
      meter: move(leg.meter),
      position: move(leg.position),
    })),
  };
}

describe('any record', () => {
  test('rubbish in, reasons out', () => {
    const base = syntheticEvent({ ...plainLeg, rate_Hz: 100 });
    fc.assert(
      fc.property(
        anySeries('outlet', 'pressure'),
        maybe(anySeries('inlet', 'pressure')),
        maybe(anySeries('meter', 'velocity')),
        maybe(anySeries('tank', 'pressure')),
        maybe(anySeries('run', 'state')),
        (outlet, inlet, meter, tank, contact) => {
          const record: EventRecord = {
            ...base,
            tank,
            contact,
            legs: [{ ...base.legs[0], outlet, inlet, meter }],
          };
          expectSound(analyse(record, options));
        },
      ),
      { numRuns: 300 },
    );
  });

  test('a real closing cut off anywhere, with any channel missing', () => {
    const whole = syntheticEvent({ ...plainLeg, rate_Hz: 1000, noise_Pa: 1500, lag_s: 0.0005 });
    const cut = (series: Series | null, from: number, to: number) =>
      series === null
        ? null
        : {
            ...series,
            time_s: series.time_s.slice(from, to),
            value: series.value.slice(from, to),
            quality: series.quality.slice(from, to),
          };
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 3000 }),
        fc.integer({ min: 1, max: 6000 }),
        fc.record({ inlet: fc.boolean(), meter: fc.boolean(), tank: fc.boolean(), contact: fc.boolean() }),
        (from, length, has) => {
          const piece = <T extends Series | null>(series: T) => cut(series, from, from + length);
          const leg = whole.legs[0];
          const record: EventRecord = {
            ...whole,
            tank: has.tank ? piece(whole.tank) : null,
            contact: has.contact ? piece(whole.contact) : null,
            legs: [
              {
                ...leg,
                outlet: piece(leg.outlet) as Series,
                inlet: has.inlet ? piece(leg.inlet) : null,
                meter: has.meter ? piece(leg.meter) : null,
              },
            ],
          };
          expectSound(analyse(record, options));
        },
      ),
      { numRuns: 150 },
    );
  });

  test('a clock that is off by any amount moves the trip and nothing else', () => {
    const leg = { ...plainLeg, rate_Hz: 1000, noise_Pa: 1500 };
    const event = syntheticEvent(leg);
    const here = analyse(event, options).legs[0];
    fc.assert(
      fc.property(fc.double({ min: -1e6, max: 4e6, noNaN: true }), (offset_s) => {
        const there = analyse(delayed(event, offset_s), options).legs[0];
        for (const [name, result] of Object.entries(here.results)) {
          const other = there.results[name as keyof typeof there.results];
          if (result.value === null || other.value === null) expect(other, name).toEqual(result);
          else {
            const moved = name === 'trip' ? other.value - offset_s : other.value;
            expect(Math.abs(moved - result.value), name).toBeLessThan(5e-4 * Math.abs(result.value) + 1e-6);
          }
        }
      }),
      { numRuns: 30 },
    );
  });
});
