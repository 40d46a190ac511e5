import fc from 'fast-check';
import { expect, test } from 'vitest';
import { type SecondRollup, SecondRollups } from '../../daemon/publish/second-rollup.ts';
import { Summariser } from '../../daemon/recorder/summary.ts';
import { quality } from '../../drivers/driver.ts';

/** Scans of two channels at 200 Hz, each with its bits. */
const rate_Hz = 200;
const channels = ['a', 'b'].map((id) => ({ id, quantity: 'pressure' as const }));
const scan = fc.record({
  values: fc.tuple(fc.integer({ min: -1e6, max: 1e6 }), fc.integer({ min: -1e6, max: 1e6 })),
  bits: fc.constantFrom(0, 0, 0, quality.suspect, quality.clipped, quality.invalid),
});

function worst(bits: readonly number[]): string {
  if (bits.includes(quality.invalid)) return 'invalid';
  if (bits.includes(quality.clipped)) return 'clipped';
  return bits.includes(quality.suspect) ? 'suspect' : 'good';
}

test('the seconds equal a brute-force computation over the raw samples, however the blocks were cut', () => {
  fc.assert(
    fc.property(
      fc.array(scan, { minLength: 1, maxLength: 900, size: 'max' }),
      fc.array(fc.integer({ min: 1, max: 60 }), { minLength: 1, maxLength: 10 }),
      fc.integer({ min: 0, max: 999 }),
      (scans, cuts, shift) => {
        // Half a millisecond off the ends of the seconds, where rounding would decide for a middle of a period.
        const shift_ms = shift + 0.5;
        const seconds: SecondRollup[] = [];
        const rollups = new SecondRollups(channels, (second) => seconds.push(second));
        const summariser = new Summariser(2, 1, ({ time_s, ...part }) => {
          rollups.add((time_s + 0.025) * 1000 + shift_ms, part);
        });
        let first = 0;
        for (let k = 0; first < scans.length; k++) {
          const part = scans.slice(first, first + cuts[k % cuts.length]);
          summariser.add(
            0,
            {
              values: Float64Array.from(part.flatMap(({ values }) => values)),
              scans: part.length,
              // Half a sample off the ends of the periods, where rounding would decide.
              time_s: (first + 0.5) / rate_Hz,
              interval_s: 1 / rate_Hz,
              quality: Uint8Array.from(part, ({ bits }) => bits),
            },
            Int32Array.of(0, 1),
          );
          first += part.length;
        }
        rollups.flush();

        // Whole periods of 50 ms only: the last one has not gone out.
        const whole = Math.floor((scans.length + 0.5) / 10);
        const bySecond = new Map<number, { values: number[][]; bits: number[] }>();
        for (let k = 0; k < whole * 10; k++) {
          const middle_ms = (Math.floor(k / 10) * 0.05 + 0.025) * 1000 + shift_ms;
          const at_ms = Math.floor(middle_ms / 1000) * 1000;
          const entry = bySecond.get(at_ms) ?? { values: [], bits: [] };
          bySecond.set(at_ms, entry);
          entry.bits.push(scans[k].bits);
          if (scans[k].bits !== quality.invalid) entry.values.push(scans[k].values);
        }
        const expected = [...bySecond].map(([at_ms, { values, bits }]) => ({
          at_ms,
          channels: ['a', 'b'].map((channel, c) => {
            const column = values.map((row) => row[c]);
            const has = column.length > 0;
            return {
              channel,
              quantity: 'pressure',
              min: has ? Math.min(...column) : null,
              max: has ? Math.max(...column) : null,
              mean: has ? expect.closeTo(column.reduce((sum, x) => sum + x, 0) / column.length, 2) : null,
              last: has ? column.at(-1) : null,
              count: column.length,
              worst: worst(bits),
            };
          }),
        }));
        expect(seconds).toEqual(expected);
      },
    ),
    { numRuns: 200 },
  );
});

test('a clock that is set back makes its seconds again, one that is set forward leaves a gap', () => {
  const at: number[] = [];
  const rollups = new SecondRollups(channels.slice(0, 1), ({ at_ms }) => at.push(at_ms));
  const part = { values: new Float64Array(4), counts: Uint32Array.of(1), flags: new Uint8Array(1) };
  for (const middle_ms of [10_025, 10_975, 11_025, 11_500, 10_500, 11_500, 95_025])
    rollups.add(middle_ms, part);
  rollups.flush();
  rollups.flush();
  expect(at).toEqual([10_000, 11_000, 10_000, 11_000, 95_000]);
});
