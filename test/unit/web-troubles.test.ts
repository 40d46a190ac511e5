import { expect, test } from 'vitest';
import type { StatusMessage } from '../../daemon/recorder/messages.ts';
import { RigState } from '../../daemon/web/rig-state.ts';
import { TroubleWatch } from '../../daemon/web/troubles.ts';
import type { LinkState } from '../../drivers/driver.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

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
    { since_ms: 1_030_000, what: 'Line stream (serial-frames) is open but silent.', remedy: silent.why },
  ]);
});

test('a loss is told while it is fresh, with how much was lost since it began', () => {
  const watch = new TroubleWatch();
  watch.observe(status(500), 0);
  expect(watch.list(status(500), null, 0)).toEqual([]);
  watch.observe(status(512), 1000);
  watch.observe(status(515), 2000);
  const [loss] = watch.list(status(515), null, 3000);
  expect(loss).toMatchObject({ since_ms: 1000, what: 'Scans lost on line stream: 15.' });
  expect(watch.list(status(515), null, 63_001)).toEqual([]);
  watch.observe(status(516), 70_000);
  expect(watch.list(status(516), null, 70_000)[0]).toMatchObject({
    since_ms: 70_000,
    what: 'Scans lost on line stream: 1.',
  });
});

test('the live lane may leave out, and a late poll is no loss', () => {
  const watch = new TroubleWatch();
  const withCounts = (count: number): StatusMessage => ({
    ...status(0),
    counters: { summariesDropped: count, hintsDropped: count, eventsDropped: 0 },
  });
  watch.observe(withCounts(0), 0);
  watch.observe(withCounts(9), 1000);
  expect(watch.list(withCounts(9), null, 1000)).toEqual([]);
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
  state.hello({
    kind: 'hello',
    config: syntheticConfig,
    software: 's',
    boot: 'b',
    anchor: { time_s: 0, wall_ms: 0 },
  });
  state.status({ ...status(0), phase: 'filling', tripIn_s: 6 });
  expect(state.view({})).toMatchObject({ phase: 'filling', tripIn_s: 6, troubles: [] });
  now_ms = 5001;
  const view = state.view({});
  expect(view).toMatchObject({ phase: 'recorder-gone', tripIn_s: null });
  expect(view.troubles[0]?.what).toContain('recorder');
  state.status(status(0));
  expect(state.view({}).phase).toBe('running');
});
