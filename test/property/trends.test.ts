/** Trends against a brute-force computation over all samples. */
import fc from 'fast-check';
import { afterEach, describe, expect, it } from 'vitest';
import type { Series } from '../../daemon/analysis/record.ts';
import { packRollups, unpackRollups } from '../../daemon/trends/trend-pack.ts';
import {
  coarser,
  type Rollup,
  rollUp,
  type TrendLevel_s,
  trendLevels_s,
} from '../../daemon/trends/trend-rollup.ts';
import { TrendStore } from '../../daemon/trends/trend-store.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';
import { expectTrend, type Laid } from '../support/trend-brute-force.ts';

const folders: { remove: () => void }[] = [];
afterEach(() => {
  for (const folder of folders.splice(0)) folder.remove();
});

const channel = syntheticConfig.channels[0]!;
/** Nothing grows too old in a test of the numbers. */
const everything = { 1: 1e9, 60: 1e9, 3600: 1e9 };
const epoch_s = Date.UTC(2026, 10, 25, 13, 59, 30) / 1000;

interface Part {
  /** Step of the wall clock against the monotonic one before this part, in s. */
  readonly step_s: number;
  readonly gap_s: number;
  readonly interval_s: number;
  readonly values: readonly number[];
  readonly bits: readonly number[];
}

const part: fc.Arbitrary<Part> = fc.record({
  step_s: fc.oneof(fc.constant(0), fc.constant(-3600), fc.constant(3600), fc.integer({ min: -90, max: 90 })),
  gap_s: fc.oneof(fc.constant(0.01), fc.double({ min: 0.001, max: 200, noNaN: true })),
  interval_s: fc.double({ min: 0.005, max: 3, noNaN: true }),
  values: fc.array(
    fc.oneof(
      { weight: 9, arbitrary: fc.double({ min: -1e6, max: 24e5, noNaN: true }) },
      { weight: 1, arbitrary: fc.constant(Number.NaN) },
    ),
    {
      minLength: 1,
      maxLength: 60,
    },
  ),
  bits: fc.array(fc.constantFrom(0, 0, 0, 1, 2, 4, 6), { minLength: 60, maxLength: 60 }),
});

/** Parts one after the other on the monotonic clock, each with the anchor that held then. */
function lay(parts: readonly Part[]): Laid[] {
  let time_s = 1000;
  let offset_s = epoch_s - 1000;
  return parts.map(({ step_s, gap_s, interval_s, values, bits }) => {
    time_s += gap_s;
    offset_s += step_s;
    const from_s = time_s;
    const time = Float64Array.from(values, (_, k) => from_s + k * interval_s);
    time_s = time.at(-1)!;
    return {
      series: {
        channel,
        time_s: time,
        value: Float64Array.from(values),
        quality: Uint8Array.from(bits.slice(0, values.length)),
        halfWidth_s: 0,
        lost: 0,
      },
      anchor: { time_s: 500, wall_ms: (500 + offset_s) * 1000 },
    };
  });
}

function levels(series: Series, anchor: Laid['anchor']) {
  return Object.fromEntries(
    trendLevels_s.map((level_s) => [level_s, rollUp(series, anchor, level_s)]),
  ) as Record<TrendLevel_s, Rollup[]>;
}

describe('trends equal a brute-force computation', () => {
  it('over restarts, steps of the clock, gaps and bad samples, at every level', () => {
    fc.assert(
      fc.property(
        fc.array(part, { minLength: 1, maxLength: 8 }),
        fc.integer({ min: 0, max: 8 }),
        (parts, restartAt) => {
          const folder = temporaryFolder();
          folders.push(folder);
          const laid = lay(parts);
          let store = new TrendStore(folder.path, everything);
          laid.forEach(({ series, anchor }, at) => {
            store.add({
              rollups: new Map([[channel.id, levels(series, anchor)]]),
              places: { at: String(at) },
            });
            if (at !== restartAt) return;
            // What is packed takes data that comes later; a restart loses nothing that was added.
            store.tidy(epoch_s + 40 * 86_400);
            store.close();
            store = new TrendStore(folder.path, everything);
          });
          expect(store.place('at')).toBe(String(laid.length - 1));
          for (const level_s of trendLevels_s) {
            expectTrend(store.read(channel.id, level_s, 0, 1e11), laid, level_s, 3e-7);
          }
          store.tidy(epoch_s + 20 * 86_400);
          for (const level_s of trendLevels_s) {
            const left = store.read(channel.id, level_s, 0, 1e11);
            expectTrend(left, laid, level_s, 6e-7);
            expect(store.covered_s(channel.id, level_s, 0, 1e11)).toBe(
              level_s * left.filter(({ count }) => count > 0).length,
            );
          }
          store.close();
        },
      ),
      { numRuns: 60 },
    );
  });

  it('coarser stretches are those of the samples', () => {
    fc.assert(
      fc.property(fc.array(part, { minLength: 1, maxLength: 5 }), (parts) => {
        const laid = lay(parts);
        const seconds = laid.flatMap(({ series, anchor }) => rollUp(series, anchor, 1));
        expectTrend(coarser(seconds, 60), laid, 60, 1e-12);
      }),
      { numRuns: 100 },
    );
  });

  it('what is packed comes back in float32', () => {
    fc.assert(
      fc.property(part, (one) => {
        const [{ series, anchor }] = lay([one]) as [Laid];
        const rollups = coarser(rollUp(series, anchor, 1), 1);
        const back = unpackRollups(packRollups(rollups, 1), 1);
        expect(back.map(({ start_s, count, flags }) => [start_s, count, flags])).toEqual(
          rollups.map(({ start_s, count, flags }) => [start_s, count, flags]),
        );
        expect(back.map(({ min }) => min)).toEqual(rollups.map(({ min }) => Math.fround(min)));
      }),
    );
  });
});

describe('an answer', () => {
  it('takes the finest level that is still kept, and leaves gaps out', () => {
    const folder = temporaryFolder();
    folders.push(folder);
    const store = new TrendStore(folder.path, { 1: 3600, 60: 86_400 * 30, 3600: 1e9 });
    const start_s = Date.UTC(2026, 0, 1) / 1000;
    const hours = 50;
    const rollups = (level_s: number): Rollup[] =>
      Array.from({ length: (hours * 3600) / level_s }, (_, k) => ({
        start_s: start_s + k * level_s,
        count: level_s,
        min: k,
        max: k + 1,
        mean: k + 0.5,
        squares: 0,
        flags: 0,
      })).filter((rollup) => rollup.start_s < start_s + 7200 || rollup.start_s >= start_s + 14_400);
    store.add({
      rollups: new Map([['p', { 1: rollups(1), 60: rollups(60), 3600: rollups(3600) }]]),
      places: {},
    });
    expect(store.trend('p', start_s, start_s + 600, 600)).toMatchObject({ step_s: 1 });
    expect(store.trend('p', start_s, start_s + 36_000, 10)).toMatchObject({ step_s: 3600 });
    expect(store.trend('p', start_s, start_s + 36_000, 10).rollups).toHaveLength(8);
    expect(store.trend('p', start_s, start_s + 36_000, 100).step_s).toBe(360);
    expect(store.trend('nobody', start_s, start_s + 10, 10).rollups).toEqual([]);
    // The seconds are dropped: the same question is answered with minutes.
    store.tidy(start_s + hours * 3600 + 7200);
    const { step_s, rollups: left } = store.trend('p', start_s, start_s + 600, 600);
    expect([step_s, left.length]).toEqual([60, 10]);
    store.close();
  });
});
