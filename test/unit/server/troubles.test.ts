import { expect, test } from 'vitest';
import type { StatusMessage } from '../../../daemon/recorder/messages.ts';
import { RigState } from '../../../daemon/server/rig-state.ts';
import { TroubleWatch } from '../../../daemon/server/troubles.ts';
import type { LinkState } from '../../../drivers/driver.ts';
import { syntheticHello } from '../../support/synthetic-rig.ts';

function status(scansLost: number, link: LinkState = { state: 'open', since_s: 0, why: '' }): StatusMessage {
  return {
    kind: 'status',
    time_s: 10,
    phase: 'running',
    tripIn_s: null,
    lines: [{ line: 'stream', driver: 'serial-frames', link, counters: { scansLost, scansReceived: 1e6 } }],
    counters: {},
  };
}

test('an open line is no trouble; a silent one is, with its own remedy and since when', () => {
  const watch = new TroubleWatch();
  const anchor = { time_s: 100, wall_ms: 1_000_000 };
  expect(watch.list(status(0), anchor, 2_000_000)).toEqual([]);
  const silent: LinkState = {
    state: 'silent',
    since_s: 130,
    why: 'Nothing has come for 5 s; check its power.',
  };
  expect(watch.list(status(0, silent), anchor, 2_000_000)).toEqual([
    {
      key: 'line stream',
      since_ms: 1_030_000,
      what: 'Line stream (serial-frames) is open but silent.',
      remedy: silent.why,
    },
  ]);
});

test('a device that does not answer is told though its line is open', () => {
  const message = status(0);
  const [line] = message.lines;
  const silentDevices = [{ id: 'meter', since_s: 120, nextTry_s: 150 }];
  const lines = [{ ...line!, silentDevices }];
  const [trouble] = new TroubleWatch().list(
    { ...message, lines },
    { time_s: 100, wall_ms: 1_000_000 },
    2_000_000,
  );
  expect(trouble).toMatchObject({
    since_ms: 1_020_000,
    what: 'Device meter on line stream does not answer.',
  });
});

test('a loss is told for a minute, with count and rate of that minute, and then ends', () => {
  const watch = new TroubleWatch();
  watch.observe(status(500), 0);
  expect(watch.list(status(500), null, 0)).toEqual([]);
  watch.observe(status(512), 1000);
  watch.observe(status(560), 31_000);
  expect(watch.list(status(560), null, 32_000)[0]).toMatchObject({
    since_ms: 1000,
    what: 'Scans lost on line stream: 60 in the last minute, 1.0 a second.',
  });
  expect(watch.list(status(560), null, 61_500)[0]).toMatchObject({
    since_ms: 31_000,
    what: 'Scans lost on line stream: 48 in the last minute, 0.8 a second.',
  });
  expect(watch.list(status(560), null, 91_001)).toEqual([]);
  watch.observe(status(561), 200_000);
  expect(watch.list(status(561), null, 200_000)[0]).toMatchObject({
    since_ms: 200_000,
    what: 'Scans lost on line stream: 1 in the last minute, less than 0.1 a second.',
  });
});

const livelane = (dropped: number, sent: number): StatusMessage => ({
  ...status(0),
  counters: { summariesDropped: dropped, summariesSent: sent, hintsDropped: dropped, eventsDropped: 0 },
});

test('the live lane may leave out: told only where a tenth of a whole minute is missing', () => {
  const watch = new TroubleWatch();
  let told = -1;
  // Twenty summaries a second; a burst at the start, later every fifth.
  for (let second = 0; second <= 200; second++) {
    const late = Math.max(0, second - 100);
    const dropped = Math.min(second, 5) * 19 + late * 4;
    const message = livelane(dropped, second * 20 - dropped);
    watch.observe(message, second * 1000);
    if (told < 0 && watch.list(message, null, second * 1000).length > 0) told = second;
    if (second === 100) expect(told).toBeLessThan(0);
  }
  expect(told).toBeGreaterThan(110);
  const [trouble] = watch.list(livelane(0, 0), null, 200_000);
  expect(trouble?.what).toBe('Summaries dropped on the recorder: 20 % over the last minute.');
  expect(watch.list(livelane(0, 0), null, 261_000)).toEqual([]);
});

test('a handful of poll slots missed at start is no trouble, a slow bus is', () => {
  const bus = (lost: number, sent: number): StatusMessage => ({
    ...status(0),
    lines: [
      {
        line: 'bus',
        driver: 'modbus',
        link: { state: 'open', since_s: 0, why: '' },
        counters: { slotsLost: lost, requestsSent: sent },
      },
    ],
  });
  const watch = new TroubleWatch();
  for (let second = 0; second <= 90; second++) {
    const message = bus(Math.min(30, second * 10), second * 60);
    watch.observe(message, second * 1000);
    expect(watch.list(message, null, second * 1000)).toEqual([]);
  }
  for (let second = 91; second <= 160; second++) {
    watch.observe(bus(30 + (second - 90) * 30, 5400 + (second - 90) * 30), second * 1000);
  }
  expect(watch.list(bus(0, 0), null, 160_000)).toMatchObject([
    { what: 'Slots lost on line bus: 50 % over the last minute.' },
  ]);
});

test('counters that start afresh with another recorder are not a loss', () => {
  const watch = new TroubleWatch();
  watch.observe(status(500), 0);
  watch.observe(status(0), 1000);
  expect(watch.list(status(0), null, 1000)).toEqual([]);
});

test('the oldest trouble comes first; raising one again keeps its beginning', () => {
  const watch = new TroubleWatch();
  watch.raise('b', 'second', 'x', 2000);
  watch.raise('a', 'first', 'y', 1000);
  watch.raise('b', 'second, worse', 'x', 9000);
  expect(watch.list(null, null, 9000).map(({ what, since_ms }) => [what, since_ms])).toEqual([
    ['first', 1000],
    ['second, worse', 2000],
  ]);
  watch.clear('a');
  expect(watch.list(null, null, 9000)).toHaveLength(1);
});

test('a recorder that stays silent is said to be gone, and its countdown with it', () => {
  let now_ms = 0;
  const state = new RigState(() => now_ms);
  state.hello(syntheticHello);
  state.status({ ...status(0), phase: 'filling', tripIn_s: 6 });
  expect(state.view({})).toMatchObject({ phase: 'filling', tripIn_s: 6, troubles: [] });
  now_ms = 5001;
  const view = state.view({});
  expect(view).toMatchObject({ phase: 'recorder-gone', tripIn_s: null });
  expect(view.troubles[0]?.what).toContain('recorder');
  state.status(status(0));
  expect(state.view({}).phase).toBe('running');
});

test('between the end of a record and its verdict the state is analysing, unless the pump runs again', () => {
  const state = new RigState(() => 0);
  state.status({ ...status(0), phase: 'waiting' });
  state.analysing('e1', true);
  expect(state.view({}).phase).toBe('analysing');
  state.status({ ...status(0), phase: 'running' });
  expect(state.view({}).phase).toBe('running');
  state.status({ ...status(0), phase: 'recording' });
  expect(state.view({}).phase).toBe('analysing');
  state.analysing('e1', false);
  expect(state.view({}).phase).toBe('recording');
});

test('a line on which much of what arrives is nonsense is told after a minute', () => {
  const watch = new TroubleWatch();
  const mad = (bytes: number): StatusMessage => {
    const message = status(0);
    const counters = { bytesReceived: bytes, bytesDiscarded: Math.floor(bytes / 2) };
    return { ...message, lines: [{ ...message.lines[0]!, counters }] };
  };
  for (let second = 0; second <= 61; second++) watch.observe(mad(second * 1000), second * 1000);
  expect(watch.list(mad(61_000), null, 61_000)[0]).toMatchObject({
    what: 'Bytes discarded on line stream: 50 % over the last minute.',
    remedy: expect.stringContaining('nonsense'),
  });
});

test('a time without a recorder and a lost trip are shown, each for its time', () => {
  const hour_ms = 3_600_000;
  const to_ms = Date.UTC(2026, 10, 25, 3, 0, 30);
  const down = {
    kind: 'no-recorder',
    after: 'b',
    from_ms: to_ms - 30_000,
    to_ms,
    isClean: false,
    pump: 'running',
  } as const;
  const listed = (gap: NonNullable<StatusMessage['gaps']>[number], later_ms: number) =>
    new TroubleWatch().list({ ...status(0), gaps: [gap] }, null, to_ms + later_ms);
  expect(listed(down, hour_ms - 1)).toEqual([
    {
      key: 'no recorder after b',
      since_ms: to_ms - 30_000,
      what:
        'No recorder from 2026-11-25 03:00:00 UTC to 2026-11-25 03:00:30 UTC. ' +
        'The pump ran before and after; a trip in between would not be known.',
      remedy: 'Find out from the log of the service why the recorder ended.',
    },
  ]);
  expect(listed(down, hour_ms + 1)).toEqual([]);
  expect(listed({ ...down, isClean: true }, 60_000)).toHaveLength(1);
  expect(listed({ ...down, isClean: true }, hour_ms / 2)).toEqual([]);
  const stopped = { ...down, isClean: true, pump: 'stopped' } as const;
  expect(listed(stopped, 6 * 24 * hour_ms)[0]?.what).toContain(
    'The pump stopped meanwhile: that trip was not recorded.',
  );
  expect(listed(stopped, 8 * 24 * hour_ms)).toEqual([]);
  const lost = { kind: 'trip-lost', event: 'E', source: 'contact', at_ms: to_ms, why: 'Gone.' } as const;
  expect(listed(lost, 6 * 24 * hour_ms)).toMatchObject([
    { key: 'trip E', what: 'Trip of 2026-11-25 03:00:30 UTC has no event. Gone.' },
  ]);
  expect(listed(lost, 8 * 24 * hour_ms)).toEqual([]);
});

test('the state of the rig gives the times without a recorder as they are on record', () => {
  const gaps = [
    { kind: 'no-recorder', after: 'b', from_ms: 1, to_ms: 2, isClean: true, pump: 'at-rest' },
  ] as const;
  const state = new RigState(() => 1_000_000_000);
  state.hello(syntheticHello);
  state.status({ ...status(0), gaps });
  expect(state.view({}).gaps).toEqual(gaps);
});
