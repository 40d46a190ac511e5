import { expect, test } from 'vitest';
import { WallClock } from '../../../daemon/clock.ts';
import { EventIds } from '../../../daemon/recorder/event-ids.ts';
import { type PhaseFacts, phaseOf, TankForecast } from '../../../daemon/recorder/status.ts';
import type { LinkState } from '../../../drivers/driver.ts';

test('a tank that rises by 0.2 bar/s and is 1 bar below the set point trips in 5 s', () => {
  const forecast = new TankForecast(5e5);
  for (let k = 0; k <= 60; k++) forecast.add(10 + k / 20, 3.4e5 + (2e4 * k) / 20);
  expect(forecast.tripIn_s(13)).toBeCloseTo(5, 6);
});

test('the forecast looks at the last three seconds only, and says nothing of a tank that stands', () => {
  const forecast = new TankForecast(5e5);
  for (let k = 0; k < 200; k++) forecast.add(k / 20, 4e5 + (k < 100 ? 1000 * k : 1e5));
  expect(forecast.tripIn_s(10)).toBeNull();
  forecast.clear();
  expect(forecast.tripIn_s(10)).toBeNull();
  forecast.add(11, Number.NaN);
  expect(forecast.tripIn_s(11)).toBeNull();
});

test('a tank whose pump is only starting gets no forecast of minutes', () => {
  const forecast = new TankForecast(5e5);
  // At rest for a second, then filled ever faster: a line through it all would promise the trip far too late.
  for (let k = 0; k <= 30; k++) forecast.add(k / 20, 3e5 + 2e4 * Math.max(0, k / 20 - 1) ** 2);
  expect(forecast.tripIn_s(1.5)).toBeNull();
});

const open: LinkState = { state: 'open', since_s: 0, why: '' };
const facts: PhaseFacts = { now_s: 100, links: [open], trip_s: null, isDriveOn: true, tripIn_s: null };

test.each([
  ['waiting', { isDriveOn: false }],
  ['waiting', { isDriveOn: null }],
  ['running', {}],
  ['filling', { tripIn_s: 4 }],
  ['tripped', { trip_s: 99.5 }],
  ['recording', { trip_s: 98 }],
  ['fault', { trip_s: 98, links: [open, { state: 'absent', since_s: 90, why: 'no such port' }] }],
  ['running', { links: [{ state: 'reconnecting', since_s: 99, why: '' }] }],
] as const)('the phase is "%s" with %j', (phase, change) => {
  expect(phaseOf({ ...facts, ...change })).toBe(phase);
});

test('a wall clock that is set is noticed, one that is slewed is not; instants are not touched', () => {
  let now_s = 10;
  let wall_ms = 1_000_000;
  const clock = new WallClock(
    () => now_s,
    () => wall_ms,
  );
  now_s += 1;
  wall_ms += 1001;
  expect(clock.renew()).toBe(0);
  now_s += 1;
  wall_ms += 1000 - 3_600_000;
  expect(clock.renew()).toBe(-3_600_000);
  expect(clock.stepsSeen).toBe(1);
  expect(clock.at_ms(now_s + 2)).toBe(wall_ms + 2000);
});

test('ids carry the UTC second and differ within it', () => {
  const ids = new EventIds(0.9999999);
  const wall_ms = Date.UTC(2026, 10, 25, 10, 59, 12, 734);
  expect(ids.idAt(wall_ms)).toBe('20261125T105912Z-ZZZ');
  expect(ids.idAt(wall_ms)).toBe('20261125T105912Z-000');
});
