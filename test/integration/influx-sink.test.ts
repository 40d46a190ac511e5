import { afterEach, beforeEach, expect, test } from 'vitest';
import type { InfluxSinkConfig } from '../../config/publish.ts';
import { InfluxSink } from '../../daemon/publish/influx/sink.ts';
import type { Batch, Delivery } from '../../daemon/publish/sink.ts';
import { describeSink } from '../support/describe-sink.ts';
import { everyPayload, messagesOf, start_ms, summaryPayload } from '../support/publish-messages.ts';
import { influxConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';
import { type Behaviour, takesAll, WriteServer } from '../support/write-server.ts';

let server: WriteServer;
let url: string;
let sink: InfluxSink | null = null;
beforeEach(async () => {
  server = new WriteServer();
  url = await server.listen();
});
afterEach(async () => {
  await sink?.stop();
  await server.close();
  delete process.env['TEST_TOKEN'];
});

function made(change: Partial<InfluxSinkConfig> = {}): InfluxSink {
  return new InfluxSink(influxConfig(url, { organisation: 'o', timeout_s: 1, ...change }), () => start_ms);
}

function started(change: Partial<InfluxSinkConfig> = {}): InfluxSink {
  sink = made(change);
  sink.start(sinkStart({ node: 'n' }));
  return sink;
}

const batch: Batch = {
  isHistorical: false,
  messages: messagesOf(Array.from({ length: 6 }, (_, second) => summaryPayload(second, 8))),
};

function deliver(to: InfluxSink, what: Batch = batch, limit_ms = 5000): Promise<Delivery> {
  return to.deliver(what, AbortSignal.timeout(limit_ms));
}

/** Refuses requests with a line of which `isBad` is true, as version 2 does: nothing of them is stored. */
function refusing(isBad: (line: string) => boolean): Behaviour {
  return ({ lines }, response) => {
    if (!lines.some(isBad)) response.writeHead(204).end();
    else {
      response.writeHead(400, { 'content-type': 'application/json' });
      response.end(JSON.stringify({ code: 'invalid', message: 'field type conflict' }));
    }
  };
}

test('a batch is one compressed request, with the token and microseconds', async () => {
  process.env['TEST_TOKEN'] = 'very-secret';
  const to = started({ token: { from: 'variable', variable: 'TEST_TOKEN' } });
  expect(await deliver(to)).toEqual({ settled: 6, rejected: [], unavailable: null });
  expect(server.requests).toHaveLength(1);
  const [{ headers, lines, path }] = server.requests;
  expect(path).toBe('/api/v2/write?org=o&bucket=b&precision=us');
  expect(headers).toMatchObject({ authorization: 'Token very-secret', 'content-encoding': 'gzip' });
  expect(lines).toHaveLength(48);
  expect(lines[8]).toBe(
    'rig_pressure,channel=PT-101,node=marrowfen-1 count=4999i,last_Pa=301012.358,max_Pa=301987.483,mean_Pa=301000.233,min_Pa=299765.733,worst=0i 1772344801000000',
  );
});

test('version 1 gets its own path and the password', async () => {
  process.env['TEST_TOKEN'] = 'pw';
  const to = started({ api: 'v1', user: 'u', password: { from: 'variable', variable: 'TEST_TOKEN' } });
  await deliver(to);
  expect(server.requests[0].path).toBe('/write?db=b&precision=u');
  expect(server.requests[0].headers.authorization).toBe(`Basic ${Buffer.from('u:pw').toString('base64')}`);
});

test('bad lines are found by halving and go to the dead letters with the words of the server; all others arrive', async () => {
  const isBad = (line: string) => line.includes('PT-104') && line.includes('1772344803');
  server.behaviour = refusing(isBad);
  const delivery = await deliver(started());
  expect(delivery).toMatchObject({ settled: 6, unavailable: null });
  expect(delivery.rejected).toEqual([
    { seq: 4, why: 'HTTP 400: field type conflict', sent: expect.stringContaining('PT-104') },
  ]);
  const taken = new Set(
    server.requests.filter(({ lines }) => !lines.some(isBad)).flatMap(({ lines }) => lines),
  );
  expect([...taken].filter((line) => !line.startsWith('rig_probe'))).toHaveLength(47);
  // Halving 48 lines for one bad one.
  expect(server.requests.length).toBeLessThan(15);
});

test('a server that refuses everything is away, and nothing goes to the dead letters', async () => {
  server.behaviour = refusing(() => true);
  const delivery = await deliver(started());
  expect(delivery).toEqual({
    settled: 0,
    rejected: [],
    unavailable: { why: 'It refuses everything: HTTP 400: field type conflict', retryAfter_s: null },
  });
});

test.each([
  [401, 'Check the token'],
  [403, 'may write'],
  [404, 'Check address'],
  [429, 'HTTP 429'],
  [500, 'HTTP 500'],
  [503, 'HTTP 503'],
])('status %i is no fault of the lines', async (status, words) => {
  server.behaviour = (_request, response) =>
    void response.writeHead(status, { 'retry-after': '7' }).end('sorry');
  const delivery = await deliver(started());
  expect(delivery).toMatchObject({ settled: 0, rejected: [] });
  expect(delivery.unavailable?.why).toContain(words);
  expect(delivery.unavailable?.retryAfter_s).toBe(7);
  expect(server.requests).toHaveLength(1);
});

test('when the server goes in the middle, whole messages before that are settled and the rest comes again', async () => {
  const isBad = (line: string) => line.includes('PT-101') && line.includes('1772344800');
  server.behaviour = (request, response, socket) => {
    if (server.requests.length <= 11) refusing(isBad)(request, response, socket);
    else response.writeHead(503).end();
  };
  const delivery = await deliver(started());
  expect(delivery.settled).toBeGreaterThan(0);
  expect(delivery.settled).toBeLessThan(6);
  expect(delivery.rejected.map(({ seq }) => seq)).toEqual([1]);
  expect(delivery.unavailable?.why).toContain('503');
});

test('a missing secret is told by its place, never by its content, and is looked for anew', async () => {
  const to = started({ token: { from: 'variable', variable: 'TEST_TOKEN' } });
  expect((await deliver(to)).unavailable?.why).toBe('the variable TEST_TOKEN is not set');
  process.env['TEST_TOKEN'] = 'there';
  expect((await deliver(to)).unavailable).toBeNull();
});

test('a message of each kind makes lines that are whole', async () => {
  const messages = messagesOf(everyPayload());
  await deliver(started(), { isHistorical: false, messages });
  const names = new Set(server.lines.map((line) => line.split(/[ ,]/)[0]));
  expect([...names].sort()).toEqual(
    [
      'rig_alarm',
      'rig_counter',
      'rig_event',
      'rig_flag',
      'rig_link',
      'rig_metric',
      'rig_phase',
      'rig_pressure',
      'rig_sink',
      'rig_trend_pressure',
      'rig_trip',
      'rig_verdict',
    ].sort(),
  );
});

test('calls out of order are bugs and say so', async () => {
  const to = started();
  expect(() => to.start({} as never)).toThrow('started when started');
  await to.stop();
  await to.stop();
  await expect(deliver(to)).rejects.toThrow('asked to deliver when stopped');
  server.behaviour = takesAll;
});

describeSink('line protocol over HTTP', async () => {
  const receiver = new WriteServer();
  const address = await receiver.listen();
  const port = Number(new URL(address).port);
  let isOpen = true;
  process.env['TEST_TOKEN'] = 'secret';
  return {
    sink: made({ url: address, token: { from: 'variable', variable: 'TEST_TOKEN' } }),
    async open() {
      receiver.behaviour = takesAll;
      if (!isOpen) await receiver.listen(port);
      isOpen = true;
    },
    async shut() {
      if (isOpen) await receiver.close();
      isOpen = false;
    },
    async hang() {
      receiver.behaviour = () => undefined;
    },
    async end() {
      if (isOpen) await receiver.close();
    },
  };
});
