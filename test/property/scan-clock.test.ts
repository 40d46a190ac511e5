import fc from 'fast-check';
import { expect, it } from 'vitest';
import { ScanClock } from '../../drivers/serial-frames/clock.ts';

const period_s = 2e-4;
const scans = 25;
const frame_s = scans * period_s;

interface Course {
  readonly errors_s: number[];
  readonly halfWidths_s: number[];
  readonly times_s: number[];
  readonly clock: ScanClock;
}

/** Small generator of its own, so that a failing case is repeated by its number alone (mulberry32, public domain). */
function makeRandom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
  };
}

/** Frames of a drifting converter, late by random delays and by a reader that sleeps `block_s` now and then. */
function follow(seed: number, drift: number, jitter_s: number, block_s: number, duration_s: number): Course {
  const random = makeRandom(seed);
  const shape = seed % 3;
  const start_s = 1000 + random();
  let clock: ScanClock | null = null;
  let reads = 0;
  let lastArrival_s = 0;
  let blockedUntil_s = seed % 2 === 0 ? start_s + block_s : 0;
  let pending: { index: number; arrival_s: number } | null = null;
  const course = { errors_s: [] as number[], halfWidths_s: [] as number[], times_s: [] as number[] };
  const take = (index: number, arrival_s: number): void => {
    if (clock === null) clock = new ScanClock(period_s, index, arrival_s);
    else clock.observe(index, arrival_s);
    if (++reads < 8) return;
    const time_s = clock.publish_s(index);
    course.times_s.push(time_s);
    course.errors_s.push(Math.abs(time_s - (start_s + index * period_s * (1 + drift))));
    course.halfWidths_s.push(clock.halfWidth_s(index));
  };
  for (let frame = 0; frame * frame_s < duration_s; frame++) {
    const index = frame * scans + scans - 1;
    const taken_s = start_s + index * period_s * (1 + drift);
    const delay_s =
      shape === 0
        ? -Math.log(1 - random()) * jitter_s
        : shape === 1
          ? random() * jitter_s
          : random() * jitter_s * (random() < 0.1 ? 10 : 0.2);
    if (random() < 0.003) blockedUntil_s = taken_s + block_s;
    const arrival_s = Math.max(taken_s + delay_s, blockedUntil_s, lastArrival_s);
    // Only the last frame of one read tells something; the earlier ones are surely later than it.
    if (pending !== null && arrival_s > pending.arrival_s) take(pending.index, pending.arrival_s);
    pending = { index, arrival_s };
    lastArrival_s = arrival_s;
  }
  return { ...course, clock: clock! };
}

it('keeps every time inside its stated half-width, whatever the drift, the delays and the reader’s sleep', () => {
  fc.assert(
    fc.property(
      fc.integer({ min: 0, max: 2 ** 31 }),
      fc.double({ min: -200e-6, max: 200e-6, noNaN: true }),
      fc.double({ min: 0, max: 3e-3, noNaN: true }),
      fc.constantFrom(0, 0.02, 0.1),
      (seed, drift, jitter_s, block_s) => {
        const { errors_s, halfWidths_s } = follow(seed, drift, jitter_s, block_s, 20);
        const outside = errors_s.findIndex((error_s, i) => error_s > halfWidths_s[i]);
        if (outside >= 0) {
          throw new Error(
            `frame ${outside}: error ${errors_s[outside]} s, stated ${halfWidths_s[outside]} s`,
          );
        }
      },
    ),
    { numRuns: 150, seed: 20260712 },
  );
});

it('learns the drift and states less than a millisecond after half a minute of jitter and sleep', () => {
  for (const [seed, drift] of [
    [1, 180e-6],
    [2, -200e-6],
    [3, 0],
    [4, 35e-6],
  ]) {
    const { clock, errors_s, halfWidths_s } = follow(seed, drift, 1e-3, 0.1, 30);
    expect(Math.abs(clock.drift_ppm - drift * 1e6)).toBeLessThan(2);
    expect(errors_s.at(-1)).toBeLessThan(0.1e-3);
    expect(halfWidths_s.at(-1)).toBeLessThan(1e-3);
  }
});

it('never lets published times step back or bunch up', () => {
  for (let seed = 0; seed < 20; seed++) {
    const { times_s } = follow(seed, 150e-6, 2e-3, 0.1, 10);
    for (let i = 1; i < times_s.length; i++) {
      expect(times_s[i] - times_s[i - 1]).toBeGreaterThan(0.99 * frame_s);
    }
  }
});

it('follows a converter whose clock slows while it warms up', () => {
  const clock = new ScanClock(period_s, 0, 0);
  let taken_s = 0;
  for (let index = 0; index < 120 / period_s; index += scans) {
    // 40 ppm over two minutes, as a crystal does behind a warm enclosure.
    taken_s += frame_s * (1 + 40e-6 * (index / (120 / period_s)));
    clock.observe(index + scans, taken_s);
    const error_s = Math.abs(clock.publish_s(index + scans) - taken_s);
    if (error_s > clock.halfWidth_s(index + scans)) throw new Error(`scan ${index}: error ${error_s} s`);
  }
  expect(clock.drift_ppm).toBeGreaterThan(30);
});
