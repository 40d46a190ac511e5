import fc from 'fast-check';
import { expect, test } from 'vitest';
import { play } from '../support/recorder-line.ts';
import { ordinaryTrip, recorderRig, type Scene, tripScene } from '../support/recorder-rig.ts';

/** A power of two, so that the instant of a scan does not depend on where its block begins. */
const interval_s = 2 ** -11;

const scenes = fc.record({
  trip_s: fc.double({ min: 2, max: 3, noNaN: true }),
  seating_s: fc.double({ min: 0.2, max: 0.8, noNaN: true }),
  deceleration_mps2: fc.double({ min: 3, max: 20, noNaN: true }),
  slam_mps: fc.double({ min: 0, max: 0.6, noNaN: true }),
  hum_Pa: fc.double({ min: 0, max: 2e4, noNaN: true }),
  seed: fc.integer({ min: 1, max: 1e6 }),
});

/** Samples do not depend on the order of asking: the noise is drawn once, in order of time. */
function frozen(scene: Scene, duration_s: number): Scene {
  const total = Math.round(duration_s / interval_s);
  const samples = Array.from({ length: total }, (_, k) => scene(k * interval_s));
  return (time_s) => samples[Math.round(time_s / interval_s)];
}

test('any split into blocks finds the same trips, summaries and events', () => {
  fc.assert(
    fc.property(
      scenes,
      fc.array(fc.integer({ min: 1, max: 400 }), { minLength: 1, maxLength: 20 }),
      fc.constantFrom('contact', 'pressure', 'surge only'),
      ({ seed, ...shape }, sizes, source) => {
        const config = recorderRig({
          trip: source === 'contact' ? {} : { contact: null, detected: source === 'pressure' },
        });
        const duration_s = 7;
        const scene = frozen(tripScene({ ...ordinaryTrip, ...shape }, seed), duration_s);
        const one = play(config, scene, interval_s, duration_s, () => 1);
        const split = play(config, scene, interval_s, duration_s, (k) => sizes[k % sizes.length]);
        const shapeOf = (outcome: typeof one) => ({
          trips: outcome.trips,
          events: outcome.events.map(({ blocks, ...event }) => ({
            ...event,
            numbers: blocks.flatMap((block) => [...block.raw]),
          })),
        });
        expect(shapeOf(split)).toStrictEqual(shapeOf(one));
        if (source === 'contact') expect(one.trips.length).toBe(1);
        // The last periods depend on how far the blocks reach; all before them must be the same, in the same order.
        const common = Math.min(one.summaries.length, split.summaries.length);
        expect(common).toBeGreaterThan(100);
        expect(split.summaries.slice(0, common)).toStrictEqual(one.summaries.slice(0, common));
      },
    ),
    {
      numRuns: 60,
      // The record of this one ends on the instant of a scan, which once belonged to it or not as the blocks fell.
      examples: [
        [
          { trip_s: 2.72124734375, seating_s: 0.2, deceleration_mps2: 3, slam_mps: 0, hum_Pa: 0, seed: 1 },
          [5],
          'contact',
        ],
      ],
    },
  );
});

test('a summary is the minimum, maximum, last and mean of the samples of its period', () => {
  fc.assert(
    fc.property(
      fc.integer({ min: 1, max: 1e6 }),
      fc.array(fc.integer({ min: 1, max: 300 }), { minLength: 1 }),
      (seed, sizes) => {
        const scene = frozen(tripScene(ordinaryTrip, seed), 2);
        const { summaries } = play(recorderRig(), scene, interval_s, 2, (k) => sizes[k % sizes.length]);
        expect(summaries.length).toBeGreaterThan(30);
        for (const { time_s, values } of summaries) {
          const outlets: number[] = [];
          for (let k = 0; k < 2 / interval_s; k++) {
            const at_s = k * interval_s;
            if (at_s >= time_s && at_s < time_s + 0.05 - 1e-12)
              outlets.push(50 * Math.round(scene(at_s)[0] / 50));
          }
          expect(values[0]).toBe(Math.min(...outlets));
          expect(values[1]).toBe(Math.max(...outlets));
          expect(values[2]).toBe(outlets[outlets.length - 1]);
          expect(values[3]).toBeCloseTo(outlets.reduce((sum, each) => sum + each, 0) / outlets.length, 6);
        }
      },
    ),
    { numRuns: 10 },
  );
});
