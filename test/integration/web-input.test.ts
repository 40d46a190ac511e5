/** Only finite, bounded numbers of the declared form are taken, and nothing that nobody asked for. */
import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { RigState } from '../../daemon/server/rig-state.ts';
import type { CaptureRequest } from '../../daemon/store/capture-request.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { swing } from '../support/synthetic-event.ts';
import { syntheticHello } from '../support/synthetic-rig.ts';

const asked: CaptureRequest[] = [];
let app: FastifyInstance;
beforeAll(async () => {
  const library = new FakeLibrary();
  library.add('event-1', 1000, swing);
  const state = new RigState(() => Date.now());
  state.hello(syntheticHello);
  app = await createServer({
    library,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
    capture: async (window) => {
      asked.push(window);
      return { event: 'made', trouble: null };
    },
  });
});
afterAll(() => app.close());

const get = (url: string) => app.inject({ url, headers: { host: 'localhost' } });
const post = (payload: string, type = 'application/json') =>
  app.inject({
    method: 'POST',
    url: '/api/events',
    headers: { host: 'localhost', 'content-type': type },
    payload,
  });

const noNumbers = [
  'Infinity',
  '-Infinity',
  'NaN',
  '1e400',
  '-1e400',
  '0x10',
  '1_000',
  '٣',
  '',
  ' 5',
  '+5',
  '05',
];
const numbers = [
  '/api/events?limit=',
  '/api/sinks/dead-letters?limit=',
  '/api/events/event-1/trace?points=',
  '/api/events/event-1/trace?from=',
  '/api/events/event-1/trace?to=',
  '/api/events/event-1/export?from=',
  '/api/events/event-1/export.csv?to=',
  '/api/window/export?to=1000&from=',
  '/api/window/export.parquet?from=0&to=',
  '/api/verdicts.json?from=',
  '/api/trends/a-outlet?points=',
  '/api/trends/a-outlet?from=',
  '/api/legs/a/days?to=',
];

test.each(numbers)('%s takes no text that is not a finite number', async (address) => {
  const name = /([a-z]+)=$/.exec(address)?.[1];
  for (const text of noNumbers) {
    const answer = await get(address + encodeURIComponent(text));
    expect([text, answer.statusCode]).toEqual([text, 400]);
    const { error } = answer.json();
    expect(error).toContain(`"${name}" of the query`);
    expect(error).toContain(JSON.stringify(text));
    expect(error).toMatch(/allowed is a (whole )?number from -?[\d.e+]+ to [\d.e+]+/);
  }
});

test.each(numbers)('%s takes no number beyond its limits, and none twice', async (address) => {
  for (const text of [
    '1e300',
    '-1e300',
    '9007199254740993',
    '-9007199254740993',
    `1&${/[a-z]+=$/.exec(address)![0]}2`,
  ])
    expect([text, (await get(address + text)).statusCode]).toEqual([text, 400]);
});

test('a number as a browser writes it is taken', async () => {
  for (const text of ['-0.500000', '0.0000', '-1', '1e-7', '2.5e-3'])
    expect([text, (await get(`/api/events/event-1/trace?from=${text}&points=20`)).statusCode]).toEqual([
      text,
      200,
    ]);
});

test.each([
  '/api/rig?x=1',
  '/api/status?verbose=1',
  '/api/events?limit=5&limits=6',
  '/api/events/event-1?a',
  '/api/legs/a/wave-speed?__proto__=1',
  '/api/trends?constructor=1',
  '/healthz?x',
  '/api/openapi.json?x=1',
])('%s is refused for the key that nobody knows', async (address) => {
  const answer = await get(address);
  expect(answer.statusCode).toBe(400);
  expect(answer.json().error).toMatch(/the query has .*allowed/);
});

test.each(['/api/events?before=%ff', '/api/events?before=%', '/api/events/event-1/trace?channels=%E0%A4%A'])(
  '%s is refused for its escapes',
  async (address) => {
    expect([(await get(address)).statusCode, (await get(address)).json().error]).toEqual([
      400,
      expect.stringContaining('escape'),
    ]);
  },
);

test.each([
  '{"last_s":"60"}',
  '{"last_s":true}',
  '{"last_s":null}',
  '{"last_s":[60]}',
  '{"last_s":60,"x":1}',
  '{"last_s":1e400}',
  '{"last_s":-1}',
  '{"from_ms":-1,"to_ms":1}',
  '{"from_ms":1,"to_ms":1e300}',
  '{"from_ms":1,"to_ms":2,"last_s":3}',
  '{"from_ms":1.5,"to_ms":2}',
  '{"from_ms":"1","to_ms":2}',
  '[]',
  'null',
  '"60"',
  '60',
])('the body %s is refused and says what is allowed', async (payload) => {
  const before = asked.length;
  const answer = await post(payload);
  expect([answer.statusCode, asked.length]).toEqual([400, before]);
  expect(answer.json().error).toMatch(/the body.*found.*allowed is/);
});

test('a body that is no JSON, too long, or of another kind is refused in words', async () => {
  expect((await post('{"last_s":')).statusCode).toBe(400);
  const long = await post(JSON.stringify({ last_s: 60, pad: 'x'.repeat(20_000) }));
  expect([long.statusCode, long.json().error]).toEqual([413, expect.stringContaining('16384 bytes')]);
  for (const type of ['text/plain', 'application/x-www-form-urlencoded', 'multipart/form-data; boundary=x'])
    expect([type, (await post('{"last_s":60}', type)).statusCode]).toEqual([type, 415]);
});

test('the right body is taken as it is', async () => {
  expect((await post('{"last_s":0.5}')).statusCode).toBe(201);
  expect(asked.at(-1)).toEqual({ last_s: 0.5 });
});
