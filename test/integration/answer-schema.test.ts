/** Every answer of the API held to its schema, closed: a key that is not described fails, and so does one that is never sent. */
import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { metricNames } from '../../daemon/analysis/metrics.ts';
import { verdictSchema } from '../../daemon/analysis/verdict.ts';
import { eventDrafts } from '../../daemon/publish/feed.ts';
import { bodyOf } from '../../daemon/publish/mqtt/bodies.ts';
import { topicSchemas } from '../../daemon/publish/mqtt/schemas.ts';
import type { StatusMessage } from '../../daemon/recorder/messages.ts';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import type { Analyse } from '../../daemon/server/take-in.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { removeTrace } from '../../daemon/store/removed-trace.ts';
import type { Trends } from '../../daemon/trends/trends.ts';
import { createServer } from '../../daemon/web/app.ts';
import { liveMessage } from '../../daemon/web/event-answers.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { slimRow } from '../../daemon/web/views.ts';
import type { FrameChannelSpec, LineSpec } from '../../drivers/line-spec.ts';
import { eventContent, temporaryFolder } from '../support/event-builder.ts';
import { fakeTrends } from '../support/fake-trends.ts';
import { independentRecords, readIndependent } from '../support/independent-records.ts';
import { watchedLine } from '../support/pushed-line.ts';
import { ringStart_ms, streamBlock, testRing } from '../support/ring-blocks.ts';
import { type Form, faultsOf, keysIn, namedIn } from '../support/strict-schema.ts';
import { syntheticConfig, syntheticHello } from '../support/synthetic-rig.ts';

interface Operation {
  readonly responses: Record<string, { readonly content?: Record<string, { readonly schema: Form }> }>;
}

const folder = temporaryFolder();
const now_ms = Date.now();
const state = new RigState(() => now_ms);
const hub = new LiveHub();
const outlet = syntheticConfig.legs[0]!.outlet.channel;
const trip_ms = Date.UTC(2026, 5, 11, 12);
/** The real analysis of a record that shows everything; one event has none. */
const judge: Analyse = (record, meta) => {
  if (record.id.endsWith('BAD')) throw new Error('the record makes no sense');
  const verdict = analyse(readIndependent(independentRecords()[0]!), meta);
  return { ...verdict, event: record.id, legs: verdict.legs.map((leg) => ({ ...leg, leg: 'A' })) };
};
let store: EventStore;
let trends: Trends;
let app: FastifyInstance;
let paths: Record<string, Record<string, Operation>>;

/** A line that samples one channel at a known rate. */
const lineOf = (channel: string): LineSpec => ({
  ...watchedLine,
  channels: [{ id: channel } as FrameChannelSpec],
});

/** A judged event that was rebuilt, one that cannot be judged, and a kept window of the first without its samples. */
async function writeEvents(): Promise<void> {
  const { blocks, header: bare } = eventContent(folder.path);
  const header = { ...bare, config: { ...bare.config, lines: [lineOf('outlet')] } };
  const write = (change: Partial<typeof header>) =>
    new EventFolderWrite(folder.path, { blocks, header: { ...header, ...change } }, disk).write();
  await write({
    rebuilt: {
      reason: 'The recorder had died.',
      at_ms: 1,
      missing: [{ line: 'stream', group: 'stream', from_s: 1, to_s: 2 }],
      noRecorder: { from_ms: 1, to_ms: 2 },
    },
  });
  await write({ id: '20260611T120010Z-BAD', boot: 'other' });
  const id = '20260611T120001Z-WIN';
  await write({ id, kept_ms: 5, trip: { source: 'window', time_s: 4, declared_s: 4 } });
  await removeTrace(eventFolder(folder.path, id), { at_ms: 1, why: 'Space on the disk was low.' }, disk);
}

const status: StatusMessage = {
  kind: 'status',
  time_s: 0,
  phase: 'running',
  tripIn_s: 3,
  lines: [
    {
      line: 'units',
      driver: 'modbus',
      link: { state: 'reconnecting', since_s: 1, why: 'The port is gone.', nextTry_s: 2 },
      counters: { readsDone: 1 },
      readings: { drift_ppm: 3 },
      silentDevices: [{ id: 'unit-3', since_s: 1, nextTry_s: 4 }],
      budget: { carried_Hz: 900, asked_Hz: 100, reached_Hz: null, samplesLost: 0, span_s: 60 },
    },
  ],
  counters: { eventsWritten: 1 },
  channels: [
    {
      channel: outlet,
      class: 'maintenance-required',
      text: 'the calibration was due 12 days ago',
      calibration: { version: 2, from_ms: 1, due_ms: 2, drift: { value: 10, days: 300, isLarge: false } },
    },
  ],
  gaps: [
    { kind: 'no-recorder', after: 'b', from_ms: 1, to_ms: Date.now(), isClean: false, pump: 'running' },
    { kind: 'trip-lost', event: '20260611T120000Z-T01', source: 'contact', at_ms: 1, why: 'It was lost.' },
  ],
};

beforeAll(async () => {
  await writeEvents();
  store = openEventStore({ dataFolder: folder.path, software: 'test', analyse: judge });
  await store.scan();
  const { ring, pass } = testRing(folder.path);
  ring.add(0, streamBlock(0, 1000));
  await pass(2);
  await ring.finish();
  trends = fakeTrends(folder.path, outlet, 'a', trip_ms);
  state.hello({
    ...syntheticHello,
    config: {
      ...syntheticConfig,
      dataFolder: folder.path,
      server: { host: '0.0.0.0', port: 0 },
      lines: [lineOf(outlet)],
    },
  });
  state.status(status);
  state.receivers = {
    views: () => [
      {
        ...{
          name: 'broker',
          kind: 'mqtt',
          address: 'mqtt://127.0.0.1',
          state: 'down',
          since_ms: 1,
          why: 'refused',
        },
        ...{ nextTry_ms: 2, waiting: 1, oldest_ms: 3, counters: { messagesDelivered: 1 } },
      },
    ],
    deadLetters: () => [
      { sink: 'broker', seq: 1, kind: 'event', at_ms: 1, rejected_ms: 2, why: 'not authorised', sent: '{}' },
    ],
  };
  app = await createServer({
    ...{ library: store, state, hub, trends, host: '127.0.0.1', dashboardFolder: null },
    space: async () => ({ free_bytes: 1e9, total_bytes: 2e9 }),
    capture: async (wanted) => ({
      event: '20260611T120000Z-T01',
      trouble: 'last_s' in wanted && wanted.last_s === 1 ? 'not judged' : null,
    }),
  });
  paths = (await app.inject({ url: '/api/openapi.json', headers: { host: 'localhost' } })).json().paths;
}, 60_000);
afterAll(async () => {
  await app.close();
  await trends.close();
  await store.close();
  folder.remove();
});

/** What is asked of each route; all answers of one together show every key that its schema names. */
const asked: Readonly<Record<string, readonly string[]>> = {
  'get /api/rig': ['/api/rig'],
  'get /api/status': ['/api/status'],
  'get /api/events': ['/api/events'],
  'get /api/events/{id}': ['T120000Z-T01', 'T120001Z-WIN', 'T120010Z-BAD'].map(
    (id) => `/api/events/20260611${id}`,
  ),
  'get /api/events/{id}/trace': ['/api/events/20260611T120000Z-T01/trace?points=20'],
  'get /api/events/{id}/export': ['/api/events/20260611T120000Z-T01/export'],
  'get /api/legs/{id}/wave-speed': ['/api/legs/A/wave-speed', '/api/legs/b/wave-speed'],
  'get /api/legs/{id}/days': [`/api/legs/a/days?from=${trip_ms - 86_400_000}&to=${trip_ms}`],
  'get /api/trends': ['/api/trends'],
  'get /api/trends/{channel}': [`/api/trends/${outlet}?from=${trip_ms - 3_600_000}&to=${trip_ms}`],
  'get /api/sinks': ['/api/sinks'],
  'get /api/sinks/dead-letters': ['/api/sinks/dead-letters'],
  'get /api/window/export': [`/api/window/export?from=${ringStart_ms}&to=${ringStart_ms + 900}`],
  'get /api/openapi.json': ['/api/openapi.json'],
  'get /healthz': ['/healthz'],
  'get /readyz': ['/readyz'],
  'post /api/events': ['{"last_s":60}', '{"last_s":1}'],
};

/** Keys that none of these answers has, and why. */
const unseen: Readonly<Record<string, readonly string[]>> = {
  // Only the command line judges files. Both wave speeds are results like any other, of which one is measured here.
  'get /api/events': ['events.verdict.provenance', 'events.verdict.legs.waveSpeeds.'],
  'get /api/events/{id}': ['verdict.provenance', 'verdict.legs.waveSpeeds.'],
  // Ten days are needed; nothing was calm enough for a sum of damage.
  'get /api/legs/{id}/wave-speed': ['chart.'],
  'get /api/legs/{id}/days': ['days.worst', 'days.closingTime_s.'],
};

test('every route with a JSON answer is asked here', () => {
  const described = Object.entries(paths).flatMap(([path, methods]) =>
    Object.entries(methods).flatMap(([method, { responses }]) =>
      method !== 'head' &&
      Object.entries(responses).some(
        ([code, { content }]) => code.startsWith('2') && content?.['application/json'],
      )
        ? [`${method} ${path}`]
        : [],
    ),
  );
  expect(described.sort()).toEqual(Object.keys(asked).sort());
});

test.each(Object.keys(asked))(
  '%s answers as described, with no key more and none that is never sent',
  async (name) => {
    const [method = '', path = ''] = name.split(' ');
    const { responses } = paths[path]![method]!;
    const answers: unknown[] = [];
    const named = new Set<string>();
    for (const each of asked[name]!) {
      const answer = await app.inject(
        method === 'post'
          ? { method: 'POST', url: path, headers: { host: 'localhost' }, payload: JSON.parse(each) }
          : { url: each, headers: { host: 'localhost' } },
      );
      const schema = responses[String(answer.statusCode)]?.content?.['application/json']?.schema;
      expect(Math.floor(answer.statusCode / 100), `${each}: ${answer.body.slice(0, 200)}`).toBe(2);
      expect(faultsOf(answer.json(), schema!), each).toBe('');
      for (const key of namedIn(schema!)) named.add(key);
      answers.push(answer.json());
    }
    const seen = keysIn(answers);
    const allowed = unseen[name] ?? [];
    const missing = [...named].filter((key) => !seen.has(key));
    expect(missing.filter((key) => !allowed.some((start) => key.startsWith(start)))).toEqual([]);
  },
);

test('what the live socket sends is as described', () => {
  const rows = store.list({ before: null, limit: 10 });
  const messages = [
    { kind: 'status', status: state.view(hub.counters) },
    { kind: 'trip', event: 'e', source: 'contact', time_s: 1 },
    ...rows.map((row) => ({ kind: 'event', event: slimRow(row) })),
  ];
  expect(rows.length).toBe(3);
  for (const message of messages) expect(faultsOf(message, liveMessage), message.kind).toBe('');
});

test('a verdict has every metric of the table, and one more would be refused', async () => {
  const event = await store.get('20260611T120000Z-T01');
  const [leg] = event!.verdict!.legs;
  expect(Object.keys(leg!.results).sort()).toEqual([...metricNames].sort());
  const more = {
    ...event!.verdict!,
    legs: [{ ...leg!, results: { ...leg!.results, more: leg!.results.surge } }],
  };
  expect(faultsOf(more, verdictSchema)).toContain('additional properties');
  expect(faultsOf({ ...event!.verdict!, legs: [{ ...leg!, more: 1 }] }, verdictSchema)).toContain(
    'additional properties',
  );
});

test('what receivers get of a real event is as the schema of its topic says, with no key more', () => {
  const rows = store.list({ before: null, limit: 10 });
  const drafts = rows.flatMap((row) => eventDrafts({ row, trouble: row.trouble ?? null }, true));
  expect(new Set(drafts.map(({ payload }) => payload.kind))).toEqual(new Set(['event', 'verdict']));
  for (const [k, draft] of drafts.entries()) {
    const body = bodyOf({ node: 'n', boot: 'b', seq: k + 1, ...draft }, false);
    expect(faultsOf(JSON.parse(body), topicSchemas().get(draft.payload.kind)!)).toBe('');
  }
});
