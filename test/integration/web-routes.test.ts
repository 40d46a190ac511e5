import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { listen } from '../../daemon/server/binding.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { axial, swing } from '../support/synthetic-event.ts';
import { syntheticConfig, syntheticHello } from '../support/synthetic-rig.ts';

const library = new FakeLibrary();
const state = new RigState(() => Date.now());
let folder: string;
let app: FastifyInstance;

beforeAll(async () => {
  for (let index = 0; index < 5; index++)
    library.add(`event-${index}`, 1000 * index, index % 2 === 0 ? swing : axial);
  folder = await mkdtemp(join(tmpdir(), 'tripwave-web-'));
  await writeFile(join(folder, 'index.html'), '<!doctype html><title>page</title>');
  app = await createServer({
    library,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: folder,
  });
});
afterAll(async () => {
  await app.close();
  await rm(folder, { recursive: true });
});

async function get(url: string, headers: Record<string, string> = {}) {
  return app.inject({ method: 'GET', url, headers: { host: 'localhost:80', ...headers } });
}

describe('who may ask', () => {
  test.each([
    ['another site', { origin: 'http://other.example' }],
    ['an opaque origin', { origin: 'null' }],
    ['a foreign name that resolves here', { host: 'rebound.example' }],
    ['a foreign name with its own origin', { host: 'rebound.example', origin: 'http://rebound.example' }],
  ])('%s is refused everywhere', async (_name, headers) => {
    for (const url of ['/', '/api/status', '/api/events', '/healthz', '/nothing']) {
      expect((await get(url, headers as Record<string, string>)).statusCode, url).toBe(403);
    }
  });

  test('this page is not', async () => {
    expect((await get('/api/status', { origin: 'http://localhost:80' })).statusCode).toBe(200);
  });

  test('nothing may be changed over HTTP', async () => {
    for (const method of ['POST', 'PUT', 'DELETE', 'PATCH'] as const) {
      const answer = await app.inject({ method, url: '/api/events/event-0', headers: { host: 'localhost' } });
      expect(answer.statusCode, method).toBe(404);
    }
  });
});

describe('answers', () => {
  test('the rig is 503 until the recorder has said hello', async () => {
    expect((await get('/api/rig')).statusCode).toBe(503);
    state.hello(syntheticHello);
    const rig = (await get('/api/rig')).json();
    expect(rig.channels.map((channel: { id: string }) => channel.id)).toEqual(
      syntheticConfig.channels.map(({ id }) => id),
    );
    expect(rig.channels[0]).toMatchObject({ leg: 'a', role: 'outlet', unit: 'Pa', displayUnit: 'bar' });
    expect(rig.channels.find((channel: { id: string }) => channel.id === 'tank-pressure')).toMatchObject({
      leg: null,
      role: 'tank',
    });
  });

  test('the list is newest first, pages by id, and leaves the velocity histories out', async () => {
    const first = (await get('/api/events?limit=2')).json().events;
    expect(first.map((row: { id: string }) => row.id)).toEqual(['event-4', 'event-3']);
    expect(first[0].verdict.legs[0].velocity.time_s).toEqual([]);
    const second = (await get('/api/events?limit=2&before=event-3')).json().events;
    expect(second.map((row: { id: string }) => row.id)).toEqual(['event-2', 'event-1']);
  });

  test('an event carries them, with its trip and its rig', async () => {
    const event = (await get('/api/events/event-0')).json();
    expect(event.verdict.legs[0].velocity.time_s.length).toBeGreaterThan(100);
    expect(event.rig.legs).toHaveLength(2);
    expect(event.trip_s).toBeGreaterThan(event.window.from_s);
  });

  test('a trace holds the channels and the window asked for, in at most so many slices', async () => {
    const trace = (
      await get('/api/events/event-0/trace?channels=a-outlet,run&from=-0.1&to=0.5&points=50')
    ).json();
    expect(trace.channels.map((channel: { id: string }) => channel.id)).toEqual(['a-outlet', 'run']);
    const { time_s } = trace.channels[0];
    expect(time_s.length).toBeLessThanOrEqual(51);
    expect([time_s[0] >= -0.1, time_s.at(-1) <= 0.5]).toEqual([true, true]);
  });

  test('the export is every sample as CSV, to be saved, and says what it is', async () => {
    const answer = await get('/api/events/event-0/export.csv?channels=a-outlet&from=0&to=0.01');
    expect(answer.headers['content-type']).toBe('text/csv; charset=utf-8');
    expect(answer.headers['content-disposition']).toBe('attachment; filename="event-0.csv"');
    const lines = answer.body.trim().split('\r\n');
    const rows = lines.filter((line) => !line.startsWith('#'));
    expect(rows[0]).toBe('time [s],time after trip [s],a-outlet [Pa],quality');
    expect(rows).toHaveLength(1 + 51);
    expect(lines[0]).toMatch(/^# Tripwave export, form 1/);
    expect(lines.at(-2)).toContain('"a-outlet":{"samples":51,"lost":0');
    expect(lines.at(-1)).toMatch(/^# sha256: [0-9a-f]{64}$/);
  });

  test.each(['csv', 'json', 'parquet'])(
    'the size of an export as %s is known before it is made',
    async (format) => {
      const sizes = (await get('/api/events/event-0/export')).json();
      const answer = await get(`/api/events/event-0/export.${format}`);
      const ratio = answer.rawPayload.length / sizes[`${format}_bytes`];
      expect(ratio).toBeGreaterThan(0.4);
      expect(ratio).toBeLessThan(2);
      expect(answer.headers['x-estimated-bytes']).toBe(String(sizes[`${format}_bytes`]));
    },
  );

  test.each([
    ['csv', 'text/csv; charset=utf-8', 'attachment; filename="verdicts.csv"', 'event,time,source'],
    ['json', 'application/json; charset=utf-8', undefined, '[{"event":"event-'],
    ['parquet', 'application/vnd.apache.parquet', 'attachment; filename="verdicts.parquet"', 'PAR1'],
  ])('the verdicts of many events are one table as %s', async (format, type, disposition, begin) => {
    const answer = await get(`/api/verdicts.${format}`);
    expect(answer.headers).toMatchObject({ 'content-type': type });
    expect(answer.headers['content-disposition']).toBe(disposition);
    expect(answer.body.startsWith(begin)).toBe(true);
    const all = (await get('/api/verdicts.json')).json();
    expect(all.length).toBeGreaterThan(1);
    const later = Date.parse(all[1].time);
    expect((await get(`/api/verdicts.json?from=${later}`)).json()).toEqual(all.slice(1));
    expect((await get(`/api/verdicts.json?to=${later}`)).json()).toEqual(all.slice(0, 1));
    expect((await get(`/api/verdicts.${format}?from=x`)).statusCode).toBe(400);
    const turned = await get(`/api/verdicts.${format}?from=${later}&to=${later}`);
    expect([turned.statusCode, turned.json()]).toEqual([
      400,
      { error: `from ${later} is not before to ${later}` },
    ]);
  });

  test('an export of the ring has two ends in their order and a day between them at most', async () => {
    const day_ms = 86_400_000;
    for (const [from, to, words] of [
      [0, 8.64e15, '2400000000 hours apart; up to 24 are allowed'],
      [0, day_ms + 1, '25 hours apart'],
      [5, 5, 'not before'],
    ] as const) {
      for (const path of ['export', 'export.csv', 'export.json', 'export.parquet']) {
        const answer = await get(`/api/window/${path}?from=${from}&to=${to}`);
        expect([answer.statusCode, answer.json().error]).toEqual([400, expect.stringContaining(words)]);
      }
    }
    expect((await get('/api/window/export.csv?from=0')).json().error).toContain(
      '"to" of the query is missing',
    );
    expect((await get(`/api/window/export?from=0&to=${day_ms}`)).statusCode).toBe(404);
  });

  test('no table of verdicts is made to answer HEAD', async () => {
    const { between } = library;
    let asked = 0;
    library.between = (...wanted) => {
      asked++;
      return between.apply(library, wanted);
    };
    for (const format of ['csv', 'json', 'parquet']) {
      const answer = await app.inject({
        method: 'HEAD',
        url: `/api/verdicts.${format}`,
        headers: { host: 'localhost' },
      });
      expect(answer.statusCode).toBe(404);
    }
    library.between = between;
    expect(asked).toBe(0);
  });

  test('a table of verdicts has an end, and says so', async () => {
    const own = new FakeLibrary();
    const row = own.add('event-0', Date.UTC(2026, 1, 1), swing);
    own.between = () => new Array(20_001).fill(row);
    const many = await createServer({
      library: own,
      state,
      hub: new LiveHub(),
      host: '127.0.0.1',
      dashboardFolder: null,
    });
    const answer = await many.inject({ url: '/api/verdicts.csv', headers: { host: 'localhost' } });
    expect([answer.statusCode, answer.json().error]).toEqual([
      400,
      expect.stringContaining('more than 20000 verdicts'),
    ]);
    await many.close();
  });

  test('a verdict that a clock set ahead has dated is in the table', async () => {
    const own = new FakeLibrary();
    own.add('event-0', Date.now() + 400 * 86_400_000, swing);
    const ahead = await createServer({
      library: own,
      state,
      hub: new LiveHub(),
      host: '127.0.0.1',
      dashboardFolder: null,
    });
    const answer = await ahead.inject({ url: '/api/verdicts.json', headers: { host: 'localhost' } });
    expect(answer.json()).not.toEqual([]);
    await ahead.close();
  });

  test('the page may load nothing from elsewhere and be framed by nobody', async () => {
    const answer = await get('/');
    expect(answer.body).toContain('<title>page</title>');
    const policy = String(answer.headers['content-security-policy']);
    expect(policy).toContain("default-src 'self'");
    expect(policy).toContain("frame-ancestors 'none'");
    expect(policy).not.toContain('unsafe');
    expect(answer.headers['x-content-type-options']).toBe('nosniff');
  });

  test('measurements are never cached', async () => {
    expect((await get('/api/status')).headers['cache-control']).toBe('no-store');
  });
});

describe('ids from outside', () => {
  test.each([
    '..',
    '%2e%2e',
    '..%2f..%2fetc%2fpasswd',
    '.hidden',
    'a..b',
    'a%2fb',
    'a%00b',
    'a%5cb',
    `${'x'.repeat(81)}`,
    'a b',
  ])('%s never reaches the store', async (id) => {
    for (const tail of ['', '/trace', '/export', '/export.csv', '/export.parquet']) {
      const answer = await get(`/api/events/${id}${tail}`);
      expect([400, 404]).toContain(answer.statusCode);
      expect(answer.json().error).not.toContain('There is no event');
    }
  });

  test('one of the right form that is not there is 404 and named', async () => {
    for (const tail of ['', '/trace', '/export', '/export.csv', '/export.parquet']) {
      const answer = await get(`/api/events/20260101T000000-a${tail}`);
      expect(answer.statusCode).toBe(404);
      expect(answer.json().error).toBe('There is no event "20260101T000000-a".');
    }
  });

  test.each(['limit=0', 'limit=501', 'limit=x', 'before=..', 'before=a/b', 'limit=1.5'])(
    '?%s is 400',
    async (query) => {
      expect((await get(`/api/events?${query}`)).statusCode).toBe(400);
    },
  );

  test.each(['points=1', 'points=20001', 'from=x', 'to=1e9', 'channels='])(
    'trace?%s is 400',
    async (query) => {
      expect((await get(`/api/events/event-0/trace?${query}`)).statusCode).toBe(400);
    },
  );

  test.each([
    '/../package.json',
    '/%2e%2e/package.json',
    '/..%2fpackage.json',
    '//etc/passwd',
    '/assets/../../package.json',
  ])('file %s is not served', async (path) => {
    const answer = await get(path);
    expect(answer.statusCode).toBeGreaterThanOrEqual(400);
    expect(answer.body).not.toContain('"dependencies"');
  });
});

test('a port in use names the port and the remedy', async () => {
  const make = () =>
    createServer({ library, state, hub: new LiveHub(), host: '127.0.0.1', dashboardFolder: null });
  const [first, second] = [await make(), await make()];
  const port = await listen(first, '127.0.0.1', 0);
  await expect(listen(second, '127.0.0.1', port)).rejects.toMatchObject({
    name: 'UnavailableError',
    message: `Port ${port} on 127.0.0.1 is in use. Stop the program that uses it, or choose another with --port.`,
  });
  await Promise.all([first.close(), second.close()]);
});

test('without a built dashboard the first page says how to build it, and the API works', async () => {
  const bare = await createServer({
    library,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
  });
  const page = await bare.inject({ url: '/', headers: { host: 'localhost' } });
  expect(page.body).toContain('npm run build');
  expect((await bare.inject({ url: '/healthz', headers: { host: 'localhost' } })).json()).toEqual({
    ok: true,
  });
  await bare.close();
});

describe('for machines', () => {
  test('readiness follows the recorder, health only the process', async () => {
    const fresh = new RigState(() => Date.now());
    let free_bytes = 1e9;
    const own = await createServer({
      space: async () => ({ free_bytes, total_bytes: 2e9 }),
      library,
      state: fresh,
      hub: new LiveHub(),
      host: '127.0.0.1',
      dashboardFolder: null,
    });
    const ask = (url: string) => own.inject({ method: 'GET', url, headers: { host: 'localhost' } });
    try {
      expect((await ask('/healthz')).json()).toEqual({ ok: true });
      const unready = await ask('/readyz');
      expect([unready.statusCode, unready.json().ready]).toEqual([503, false]);
      expect(unready.json().reasons[0]).toContain('is still starting');
      fresh.hello(syntheticHello);
      expect((await ask('/readyz')).json()).toEqual({ ready: true, reasons: [] });
      free_bytes = 1e6;
      const full = await ask('/readyz');
      expect([full.statusCode, full.json().reasons]).toEqual([
        503,
        [expect.stringContaining('has room for 1.0 MB')],
      ]);
      free_bytes = 1e9;
      expect((await ask('/readyz')).statusCode).toBe(200);
      const refusing = {
        state: 'refusing',
        free_bytes: 1e9,
        why: 'no space left',
        eventsWaiting: 2,
      } as const;
      const rest = {
        kind: 'status',
        time_s: 1,
        phase: 'running',
        tripIn_s: null,
        lines: [],
        counters: {},
      } as const;
      fresh.status({ ...rest, disk: refusing });
      expect((await ask('/readyz')).json()).toEqual({
        ready: false,
        reasons: [expect.stringContaining('The disk cannot be written: no space left')],
      });
      fresh.status({ ...rest, disk: { ...refusing, state: 'low' } });
      expect((await ask('/readyz')).statusCode).toBe(200);
      const metrics = await ask('/metrics');
      expect(metrics.headers['content-type']).toBe('text/plain; version=0.0.4; charset=utf-8');
      expect(metrics.body).toContain('tripwave_recorder_up 1');
    } finally {
      await own.close();
    }
  });
});
