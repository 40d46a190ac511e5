import fc from 'fast-check';
import { expect, it } from 'vitest';
import { CountClock } from '../../../../drivers/modbus/count-clock.ts';

const period_s = 0.01;
const start_s = 500;

/** A count that was read somewhere in an exchange; `late`, `early`: how long after and before it the exchange ends and begins. */
interface Read {
  readonly pause_s: number;
  readonly early_s: number;
  readonly late_s: number;
}

const reads = fc.array(
  fc.record({
    pause_s: fc.double({ min: 1e-3, max: 0.2, noNaN: true }),
    early_s: fc.double({ min: 0, max: 8e-3, noNaN: true }),
    late_s: fc.double({ min: 0, max: 8e-3, noNaN: true }),
  }),
  { minLength: 1, maxLength: 200 },
);

/** Feeds the counts of a device and calls `check` after each with the number of the last scan counted. */
function follow(
  list: readonly Read[],
  drift: number,
  check: (clock: CountClock, last: number, taken_s: number) => void,
): void {
  const actual_s = period_s * (1 + drift);
  let now_s = start_s;
  let clock: CountClock | null = null;
  for (const { pause_s, early_s, late_s } of list) {
    now_s += pause_s;
    const last = Math.floor((now_s - start_s) / actual_s);
    if (clock === null) clock = new CountClock(period_s, last, now_s + late_s, now_s - early_s);
    else clock.observe(last, now_s + late_s, now_s - early_s);
    check(clock, last, start_s + last * actual_s);
  }
}

it('holds the instant of every scan inside its half-width, however few counts were read and wherever they fell', () => {
  fc.assert(
    fc.property(reads, fc.double({ min: -8e-3, max: 8e-3, noNaN: true }), (list, drift) => {
      follow(list, drift, (clock, last, taken_s) => {
        expect(Math.abs(clock.publish_s(last) - taken_s)).toBeLessThanOrEqual(clock.halfWidth_s(last));
      });
    }),
    { numRuns: 200 },
  );
});

it('publishes instants that rise with the scans', () => {
  fc.assert(
    fc.property(reads, fc.double({ min: -8e-3, max: 8e-3, noNaN: true }), (list, drift) => {
      let before = { scan: -1, time_s: Number.NEGATIVE_INFINITY };
      follow(list, drift, (clock, last) => {
        const time_s = clock.publish_s(last);
        if (last > before.scan) expect(time_s).toBeGreaterThan(before.time_s);
        before = { scan: last, time_s };
      });
    }),
    { numRuns: 200 },
  );
});

it('learns drift and instant from exchanges that are longer than a scan', () => {
  const list = Array.from({ length: 600 }, (_, k) => ({
    pause_s: 0.05 + ((k * 0.618) % 1) * period_s,
    early_s: 0.012,
    late_s: 0.012 * ((k * 0.382) % 1),
  }));
  let last = { halfWidth_s: 1, drift_ppm: 0 };
  follow(list, 150e-6, (clock, scan) => {
    clock.publish_s(scan);
    last = { halfWidth_s: clock.halfWidth_s(scan), drift_ppm: clock.drift_ppm };
  });
  expect(last.drift_ppm).toBeGreaterThan(-50);
  expect(last.drift_ppm).toBeLessThan(350);
  expect(last.halfWidth_s).toBeLessThan(0.012);
});

it('states what it does not know any more when the device stood still', () => {
  fc.assert(
    fc.property(
      fc.integer({ min: 1, max: 800 }),
      // A shorter pause may lie between all counts, or be taken for a drift.
      fc.double({ min: 2.2 * period_s, max: 0.05, noNaN: true }),
      fc.double({ min: 0, max: period_s, noNaN: true }),
      (at, pause_s, phase_s) => {
        const clock = new CountClock(period_s, 0, start_s + phase_s, start_s + phase_s);
        for (let scan = 1; scan < 1000; scan++) {
          const taken_s = start_s + scan * period_s + (scan < at ? 0 : pause_s);
          clock.observe(scan, taken_s + phase_s, taken_s + phase_s);
          const error_s = Math.abs(clock.publish_s(scan) - taken_s);
          expect(error_s).toBeLessThanOrEqual(clock.halfWidth_s(scan));
        }
      },
    ),
    { numRuns: 100 },
  );
});
