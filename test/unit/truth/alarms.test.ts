import { expect, test } from 'vitest';
import { type AlarmRow, alarmLines } from '../../truth/alarms.ts';

const row: AlarmRow = {
  scene: 'trip',
  rate_Hz: 500,
  seed: 1,
  hours: 0.5,
  movingHours: 0.01,
  events: ['contact', 'pressure'],
  unwanted: ['trip 500 Hz seed 1: event by pressure at 700.0 s'],
  falseSeatings: ['trip 500 Hz seed 1: seating 40 ms off, outside its interval'],
  hasTrip: true,
  isTripFound: true,
  hasSeating: true,
  isSeatingFound: true,
  isInstantRight: false,
  isNoSlam: false,
};

test('the summary says its true hours, counts a wrong seating of a trip and lists what no trip made', () => {
  const text = alarmLines([row, { ...row, seed: 2, unwanted: [], falseSeatings: [] }]).join('\n');
  expect(text).toContain('2 watches, 1.0 simulated hours (0.0 of them with the plant in motion');
  expect(text).toContain("- false seatings, wrong instants of a trip's own seating among them: 1 (target 0)");
  expect(text).toContain('- false seating: trip 500 Hz seed 1: seating 40 ms off');
  expect(text).toContain('- events that no trip made: 1, one in 1 h');
  expect(text).toContain('- unwanted event: trip 500 Hz seed 1: event by pressure at 700.0 s');
});
