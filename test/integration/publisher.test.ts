import { readdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { DatabaseSync } from 'node:sqlite';
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { publishKinds, type SinkConfig } from '../../config/publish.ts';
import { machineClock } from '../../daemon/publish/clock.ts';
import type { Message } from '../../daemon/publish/messages.ts';
import { Publisher } from '../../daemon/publish/publisher.ts';
import type { Sink } from '../../daemon/publish/sink.ts';
import type { EventRow } from '../../daemon/store/event-index.ts';
import type { StatusView } from '../../daemon/web/wire.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { OutageRig } from '../support/outage-rig.ts';
import { syntheticConfig } from '../support/synthetic-rig.ts';

const rig = new OutageRig(0);
let folder: ReturnType<typeof temporaryFolder>;
let index: EventRow[];
let got: Message[];
let troubles: Map<string, string>;
let publisher: Publisher;

beforeEach(() => {
  folder = temporaryFolder();
  index = [];
  got = [];
  troubles = new Map();
});
afterEach(async () => {
  await publisher.stop();
  folder.remove();
});

/** An event of the index; the k-th minute of a day. */
function event(k: number): EventRow {
  return rig.row(`20260301T00${String(k).padStart(2, '0')}00Z-A01`);
}

function open(quota_bytes = 1e9, isTaking = true): void {
  const sink: Sink = {
    address: 'memory',
    start: () => undefined,
    deliver: async ({ messages }) => {
      if (!isTaking) return { settled: 0, rejected: [], unavailable: { why: 'shut', retryAfter_s: null } };
      got.push(...messages);
      return { settled: messages.length, rejected: [], unavailable: null };
    },
    stop: async () => undefined,
  };
  publisher = new Publisher({
    publish: {
      node: 'n',
      quota_bytes,
      backlogRate_Hz: 1000,
      sinks: [{ name: 'a', kind: 'influx', send: publishKinds } as unknown as SinkConfig],
    },
    hello: {
      kind: 'hello',
      config: { ...syntheticConfig, dataFolder: folder.path },
      software: 's',
      boot: 'b',
      anchor: { time_s: 0, wall_ms: 0 },
    },
    events: (before, limit) =>
      index
        .filter(({ id }) => before === null || id < before)
        .sort((a, b) => (a.id < b.id ? 1 : -1))
        .slice(0, limit),
    createSink: () => sink,
    clock: machineClock,
    random: Math.random,
    trouble: (key, text) => (text === null ? troubles.delete(key) : troubles.set(key, text.what)),
    log: () => undefined,
  });
  publisher.start();
}

function toldAs(k: number): unknown {
  return expect.objectContaining({ kind: 'verdict', event: event(k).id });
}

function kinds(): string[] {
  return got.map(({ payload }) => payload.kind);
}

test('events from before publishing was switched on are not told; later ones are, with their verdict, once', async () => {
  index = [event(1), event(2)];
  open();
  publisher.catchUp();
  index.push(event(3));
  publisher.event({ row: event(3), trouble: null });
  publisher.event({ row: event(3), trouble: null });
  await vi.waitFor(() => expect(kinds()).toEqual(['event', 'verdict']), 20_000);
  const revised = { ...event(3), verdict: { ...event(3).verdict!, revision: 2 } };
  publisher.event({ row: revised, trouble: null });
  await vi.waitFor(() => expect(kinds()).toEqual(['event', 'verdict', 'verdict']), 20_000);
  expect(got.map(({ seq }) => seq)).toEqual([1, 2, 3]);
  expect(got[0].at_ms).toBe(Date.UTC(2026, 2, 1, 0, 3));
});

test('an event that was indexed before the process died is told at the next start', async () => {
  open();
  await publisher.stop();
  index = [event(1), event(2)];
  open();
  publisher.catchUp();
  await vi.waitFor(() => expect(kinds()).toEqual(['event', 'verdict', 'event', 'verdict']), 20_000);
  expect(got[0].payload).toMatchObject({ event: event(1).id });
});

test('an index that cannot be read ends nothing, and its events are told later with what is wrong', async () => {
  open();
  await publisher.stop();
  index = [{ ...event(1), verdict: null, trouble: 'no trace' }];
  open();
  const { filter } = index;
  index.filter = () => {
    throw new Error('disk I/O error');
  };
  publisher.catchUp();
  expect(troubles.get('outbox')).toContain('disk I/O error');
  index.filter = filter;
  publisher.catchUp();
  await vi.waitFor(() => expect(kinds()).toEqual(['event']), 20_000);
  expect(got[0]!.payload).toMatchObject({ event: event(1).id, trouble: 'no trace' });
});

test('a damaged outbox is set aside, and publishing goes on', async () => {
  writeFileSync(join(folder.path, 'outbox.db'), 'nonsense '.repeat(1000));
  open();
  publisher.event({ row: event(1), trouble: null });
  await vi.waitFor(() => expect(kinds()).toEqual(['event', 'verdict']), 20_000);
  expect(readdirSync(folder.path).filter((name) => name.startsWith('outbox.db.damaged-'))).toHaveLength(1);
});

test('no number is used twice by one run when its outbox was damaged between two servers', async () => {
  open();
  publisher.event({ row: event(1), trouble: null });
  await vi.waitFor(() => expect(kinds()).toContain('verdict'), 20_000);
  await publisher.stop();
  for (const name of ['outbox.db', 'outbox.db-wal'])
    writeFileSync(join(folder.path, name), 'nonsense '.repeat(1000));
  for (let k = 2; k <= 3; k++) {
    open();
    publisher.event({ row: event(k), trouble: null });
    await vi.waitFor(() => expect(got.map(({ payload }) => payload)).toContainEqual(toldAs(k)), 20_000);
    if (k < 3) await publisher.stop();
  }
  const seqs = got.map(({ seq }) => seq);
  expect(seqs.every((seq, i) => i === 0 || seq > seqs[i - 1]!)).toBe(true);
});

test('a disk that refuses is told; events are told when it takes them again', async () => {
  open();
  const lock = new DatabaseSync(join(folder.path, 'outbox.db'));
  lock.exec('BEGIN IMMEDIATE');
  index = [event(1)];
  // Waits a moment for the lock.
  publisher.event({ row: event(1), trouble: null });
  expect(troubles.get('outbox')).toContain('database is locked');
  lock.exec('ROLLBACK');
  lock.close();
  publisher.catchUp();
  await vi.waitFor(() => expect(kinds()).toEqual(['event', 'verdict']), 20_000);
  expect(troubles.size).toBe(0);
});

test('an outbox that cannot be read is a trouble, and ends neither pages nor status', async () => {
  open(1e9, false);
  publisher.event({ row: event(1), trouble: null });
  expect(publisher.views()[0]).toMatchObject({ waiting: 2, oldest_ms: expect.any(Number) });
  const other = new DatabaseSync(join(folder.path, 'outbox.db'));
  other.exec('ALTER TABLE message RENAME TO lost; ALTER TABLE dead_letter RENAME TO lost_letter');
  const view = { phase: 'running', tripIn_s: null, lines: [], counters: {}, troubles: [] } as const;
  publisher.status(view);
  expect(publisher.views()[0]).toMatchObject({ waiting: 2, oldest_ms: null });
  expect(troubles.get('outbox unread')).toMatch(/^The outbox cannot be read: no such table: .*message/);
  // Not an empty list: that would say that nothing was refused.
  expect(() => publisher.deadLetters(10)).toThrow(/^The outbox cannot be read: no such table: .*dead_letter/);
  other.exec('ALTER TABLE lost RENAME TO message; ALTER TABLE lost_letter RENAME TO dead_letter');
  other.close();
  expect(publisher.views()[0]).toMatchObject({ waiting: 2, oldest_ms: expect.any(Number) });
  expect(troubles.has('outbox unread')).toBe(false);
  expect(publisher.deadLetters(10)).toEqual([]);
});

test('what is shed is told as an alarm', () => {
  open(200_000, false);
  for (let k = 0; k < 60; k++) publisher.event({ row: event(k), trouble: null });
  expect(troubles.get('outbox full')).toMatch(/^The outbox is full: \d+ of the oldest messages were shed/);
  expect(publisher.views()[0].counters['messagesShed']).toBeGreaterThan(0);
});

test('states and alarms are told when they change', async () => {
  open();
  const view = (state: 'open' | 'silent', troubled: readonly string[]): StatusView => ({
    phase: 'running',
    tripIn_s: null,
    lines: [
      { line: 'bus', driver: 'modbus', link: { state, since_s: 1, why: '' }, counters: { requestsSent: 1 } },
    ],
    counters: {},
    troubles: troubled.map((key) => ({ key, since_ms: 1, what: key, remedy: 'r' })),
  });
  publisher.status(view('open', []));
  publisher.status(view('open', []));
  publisher.status(view('silent', ['line bus']));
  publisher.status(view('silent', ['line bus']));
  publisher.status(view('open', []));
  const told = () => got.filter(({ payload }) => payload.kind !== 'sink');
  await vi.waitFor(
    () =>
      expect(told().map(({ payload }) => payload.kind)).toEqual([
        'link',
        'phase',
        'link',
        'alarm',
        'link',
        'alarm',
      ]),
    20_000,
  );
  expect(told().map(({ payload }) => (payload.kind === 'alarm' ? payload.isActive : null))).toEqual([
    null,
    null,
    null,
    true,
    null,
    false,
  ]);
});

test('a receiver hears what waits for each receiver, when that changes its state and once a minute', async () => {
  open();
  const view = { phase: 'running', tripIn_s: null, lines: [], counters: {}, troubles: [] } as const;
  const told = () => got.flatMap(({ payload }) => (payload.kind === 'sink' ? [payload] : []));
  publisher.status(view);
  await vi.waitFor(() => expect(told().length).toBe(1), 20_000);
  publisher.status(view);
  await vi.waitFor(() => expect(told().map(({ state }) => state)).toEqual(['connecting', 'up']), 20_000);
  publisher.status(view);
  publisher.event({ row: event(1), trouble: null });
  await vi.waitFor(() => expect(kinds()).toContain('event'), 20_000);
  expect(told().length).toBe(2);
  const { name } = publisher.views()[0]!;
  expect(told()[0]).toMatchObject({
    sink: name,
    delivered: 0,
    rejected: 0,
    shed: 0,
    waiting: 0,
    oldest_ms: null,
  });
  expect(told()[1]!.delivered).toBeGreaterThan(0);
});
