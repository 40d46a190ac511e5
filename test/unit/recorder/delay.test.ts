/** The key `delay` of a channel in live detection: late samples that say so give the instants of samples in time. */
import { expect, test } from 'vitest';
import type { ChannelConfig, RigConfig } from '../../../config/rig.ts';
import { neededHistory_s } from '../../../daemon/recorder/history.ts';
import { play } from '../../support/recorder-line.ts';
import { columns, ordinaryTrip, recorderRig, type Scene, tripScene } from '../../support/recorder-rig.ts';

const late_s = 0.02;

function withDelay(config: RigConfig, ids: readonly string[]): RigConfig {
  const stated = (channel: ChannelConfig): ChannelConfig =>
    ids.includes(channel.id) ? { ...channel, delay_s: [late_s, late_s] } : channel;
  return { ...config, channels: config.channels.map(stated) };
}

/** The ordinary trip with these columns late. A scene draws noise, so each column has a scene of its own. */
function lateScene(ids: readonly string[]): Scene {
  const scenes = columns.map(() => tripScene(ordinaryTrip));
  return (t) => {
    const [outlet, tank, meter, run] = columns.map(
      (id, k) => scenes[k](ids.includes(id) ? t - late_s : t)[k],
    );
    return [outlet, tank, meter, run];
  };
}

test('a late contact that says so declares the trip at its own instant', () => {
  const [inTime] = play(recorderRig(), lateScene([]), 1e-3, 9).trips;
  const [trip] = play(withDelay(recorderRig(), ['run']), lateScene(['run']), 1e-3, 9).trips;
  expect(trip.source).toBe('contact');
  expect(trip.time_s).toBeCloseTo(inTime.time_s, 6);
  expect(trip.seen_s - inTime.seen_s).toBeCloseTo(late_s, 6);
});

test('a late pressure that says so: the knee and the end of the event at their own instants, nothing cut off', () => {
  const rig = recorderRig({ trip: { contact: null } });
  const inTime = play(rig, lateScene([]), 1e-3, 9);
  const late = play(withDelay(rig, ['outlet']), lateScene(['outlet']), 1e-3, 9);
  expect(late.trips.map(({ source }) => source)).toEqual(['pressure-knee']);
  expect(Math.abs(late.trips[0].time_s - inTime.trips[0].time_s)).toBeLessThan(0.006);
  expect(late.events).toHaveLength(1);
  // The record goes on until the late samples of its last instant have come.
  expect(Math.abs(late.events[0].to_s - inTime.events[0].to_s - late_s)).toBeLessThan(0.011);
});

test('a late pressure beside a contact in time: the seating is where it was', () => {
  const inTime = play(recorderRig(), lateScene([]), 1e-3, 9);
  const late = play(withDelay(recorderRig(), ['outlet']), lateScene(['outlet']), 1e-3, 9);
  expect(late.events.map(({ closedBecause }) => closedBecause)).toEqual(['settled']);
  expect(Math.abs(late.events[0].to_s - inTime.events[0].to_s - late_s)).toBeLessThan(0.011);
});

test('a contact that is late by more than the longest record: one event, and the edge is inside its record', () => {
  const long_s = 9;
  const rig = recorderRig();
  const channels = rig.channels.map((channel) =>
    channel.id === 'run' ? { ...channel, delay_s: [long_s, long_s] as const } : channel,
  );
  const scene = tripScene(ordinaryTrip);
  const lateScene: Scene = (t) => {
    const [outlet, tank, meter] = scene(t);
    return [outlet, tank, meter, t < 3 + long_s ? 1 : 0];
  };
  const { trips, events } = play({ ...rig, channels }, lateScene, 2e-3, 25);
  expect(trips).toHaveLength(1);
  expect(events).toHaveLength(1);
  expect(events[0].from_s).toBeLessThan(3);
  expect(events[0].to_s).toBeGreaterThan(3 + long_s);
});

test('the history holds the longest record until its latest channel has come', () => {
  const windows = { before_s: 2, withoutSeating_s: 8, afterSeating_s: 3, history_s: 60 };
  expect(neededHistory_s(windows, 0)).toBe(60);
  // The key allows a minute of dead time.
  expect(neededHistory_s(windows, 60)).toBeGreaterThanOrEqual(2 + 8 + 3 + 60);
});
