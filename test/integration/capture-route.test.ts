import Fastify, { type FastifyInstance } from 'fastify';
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest';
import { DataError } from '../../daemon/errors.ts';
import type { StatusMessage } from '../../daemon/recorder/messages.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import { oneAtATime } from '../../daemon/store/capture-limits.ts';
import { createServer } from '../../daemon/web/app.ts';
import { captureRoute } from '../../daemon/web/capture-route.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';

const asked: unknown[] = [];
const state = new RigState(() => 1000);
let app: Awaited<ReturnType<typeof createServer>>;
beforeAll(async () => {
  app = await createServer({
    library: new FakeLibrary(),
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
    capture: async (window) => {
      asked.push(window);
      const event = '20261125T105912Z-A3F';
      if ('last_s' in window)
        return { event, trouble: window.last_s === 61 ? 'trace.bin cannot be read' : null };
      throw new DataError('the ring has no samples in this window');
    },
  });
});
afterAll(() => app.close());

const post = (payload: object, headers = {}) =>
  app.inject({ method: 'POST', url: '/api/events', headers: { host: 'localhost', ...headers }, payload });

test('a page may keep a window; another site, or a window that makes no sense, may not', async () => {
  const made = await post({ last_s: 60 });
  expect([made.statusCode, made.json()]).toEqual([201, { event: '20261125T105912Z-A3F' }]);
  const unjudged = await post({ last_s: 61 });
  expect([unjudged.statusCode, unjudged.json()]).toEqual([
    202,
    { event: '20261125T105912Z-A3F', trouble: 'trace.bin cannot be read' },
  ]);
  const none = await post({ from_ms: 1, to_ms: 2 });
  expect([none.statusCode, none.json().error]).toEqual([409, 'the ring has no samples in this window']);
  expect(asked).toEqual([{ last_s: 60 }, { last_s: 61 }, { from_ms: 1, to_ms: 2 }]);
  expect((await post({ last_s: 60 }, { origin: 'http://other.example' })).statusCode).toBe(403);
  for (const wrong of [{}, { last_s: 0 }, { last_s: 1e6 }, { from_ms: 1 }])
    expect((await post(wrong)).statusCode, JSON.stringify(wrong)).toBe(400);
  expect(asked).toHaveLength(3);
});

describe('a page that asks for much', () => {
  const started: (() => void)[] = [];
  let now_s = 0;
  let own: FastifyInstance;
  beforeAll(async () => {
    own = Fastify();
    captureRoute(
      own,
      oneAtATime(async () => {
        await new Promise<void>((resolve) => started.push(resolve));
        return { event: 'made', trouble: null };
      }),
      () => now_s,
    );
  });
  afterAll(() => own.close());
  const ask = () => own.inject({ method: 'POST', url: '/api/events', payload: { last_s: 60 } });

  test('gets one capture at a time, three at once, then one in ten minutes; the rest is told when to come again', async () => {
    const first = ask();
    await vi.waitFor(() => expect(started).toHaveLength(1), 20_000);
    const second = await ask();
    expect([second.statusCode, second.headers['retry-after'], second.json().error]).toEqual([
      429,
      '10',
      'another capture is running; try again when it is done',
    ]);
    started.pop()!();
    expect((await first).statusCode).toBe(201);
    const codes: number[] = [];
    for (let k = 0; k < 25; k++) {
      now_s += 6;
      const answer = ask();
      const isStarted = await Promise.race([
        answer.then(() => false),
        vi.waitFor(() => expect(started).toHaveLength(1), 20_000).then(() => true),
      ]);
      if (isStarted) started.pop()!();
      codes.push((await answer).statusCode);
    }
    expect(codes.filter((code) => code === 201)).toHaveLength(2);
    expect(codes.slice(2).every((code) => code === 429)).toBe(true);
    const late = await ask();
    expect(Number(late.headers['retry-after'])).toBeGreaterThan(300);
  });
});

test('a disk that refuses or is nearly full stands among the troubles until it is well', () => {
  const told = (disk: StatusMessage['disk']) => {
    const rest = {
      kind: 'status',
      time_s: 1,
      phase: 'running',
      tripIn_s: null,
      lines: [],
      counters: {},
    } as const;
    state.status({ ...rest, ...(disk === undefined ? {} : { disk }) });
    return state.view({}).troubles.map(({ what }) => what);
  };
  const disk = { free_bytes: 1.5e9, why: '', eventsWaiting: 0 };
  expect(told({ ...disk, state: 'low' })).toEqual([
    'Space is low: 1.5 GB free. The ring is being shortened.',
  ]);
  expect(told({ ...disk, state: 'refusing', why: 'no space left', eventsWaiting: 2 })[0]).toContain(
    '2 closed in memory',
  );
  expect(told({ ...disk, state: 'good' })).toEqual([]);
});
