/** Who is let in, what every answer carries, and what becomes of clients that hold on. Real sockets. */
import { once } from 'node:events';
import type { Socket } from 'node:net';
import type { FastifyInstance } from 'fastify';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { DataError } from '../../daemon/errors.ts';
import { listen } from '../../daemon/server/binding.ts';
import { RigState } from '../../daemon/server/rig-state.ts';
import { createServer, usualPatience, type WebOptions } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { exchange, hold } from '../support/raw-http.ts';
import { swing } from '../support/synthetic-event.ts';
import { syntheticHello } from '../support/synthetic-rig.ts';

let app: FastifyInstance;
let port: number;
let hub: LiveHub;
let library: FakeLibrary;
let logged: string[];
const held: Socket[] = [];

async function start(more: Partial<WebOptions> = {}): Promise<void> {
  library = new FakeLibrary();
  library.add('event-1', 1000, swing);
  hub = new LiveHub();
  logged = [];
  const state = new RigState(() => Date.now());
  state.hello(syntheticHello);
  const log = (text: string) => logged.push(text);
  const space = async () => ({ free_bytes: 1e9, total_bytes: 2e9 });
  app = await createServer({
    library,
    space,
    state,
    hub,
    host: '127.0.0.1',
    dashboardFolder: null,
    log,
    ...more,
  });
  port = await listen(app, '127.0.0.1', 0);
}

beforeEach(() => start());
afterEach(async () => {
  for (const socket of held.splice(0)) socket.destroy();
  await app.close();
});

const ask = (path: string, ...headers: string[]) =>
  exchange(
    port,
    [`GET ${path} HTTP/1.1`, `host: 127.0.0.1:${port}`, 'connection: close', ...headers, '', ''].join('\r\n'),
  );
const statusOf = ({ text }: { readonly text: string }) => Number(/^HTTP\/1\.1 (\d+)/.exec(text)?.[1]);
const upgrade = [
  'connection: Upgrade',
  'upgrade: websocket',
  'sec-websocket-version: 13',
  `sec-websocket-key: ${Buffer.alloc(16).toString('base64')}`,
];

describe('a page of another origin', () => {
  const routes = [
    '/api/rig',
    '/api/events',
    '/api/events/event-1/export.csv',
    '/api/openapi.json',
    '/healthz',
    '/readyz',
    '/metrics',
    '/%61pi/status',
  ];
  test.each(routes)('reads nothing at %s', async (path) => {
    for (const site of ['cross-site', 'same-site'])
      expect([site, statusOf(await ask(path, `sec-fetch-site: ${site}`))]).toEqual([site, 403]);
    for (const site of ['same-origin', 'none'])
      expect([site, statusOf(await ask(path, `sec-fetch-site: ${site}`))]).toEqual([site, 200]);
  });

  test('opens no viewer', async () => {
    const raw = (site: string) =>
      exchange(
        port,
        [
          `GET /api/live HTTP/1.1`,
          `host: 127.0.0.1:${port}`,
          ...upgrade,
          `sec-fetch-site: ${site}`,
          '',
          '',
        ].join('\r\n'),
        20_000,
        (received) => received.includes('\r\n\r\n'),
      );
    expect(statusOf(await raw('cross-site'))).toBe(403);
    expect(statusOf(await raw('same-origin'))).toBe(101);
  });

  test('may still be a link to the page itself', async () => {
    expect(statusOf(await ask('/', 'sec-fetch-site: cross-site', 'sec-fetch-mode: navigate'))).toBe(200);
  });
});

describe('every answer', () => {
  test.each([
    ['/%ff', 400],
    ['/api/%ff', 400],
    ['/api/events/%E0%A4%A', 400],
    ['/api/events/%', 400],
    ['/api/nothing', 404],
    [`/api/events/${'x'.repeat(5000)}`, 400],
    ['/api/rig?x=1', 400],
    ['/api/rig', 200],
  ])('%s has the headers of a safe one', async (path, status) => {
    const answer = await ask(path);
    expect(statusOf(answer)).toBe(status);
    expect(answer.text).toMatch(/content-security-policy: default-src 'self'/i);
    expect(answer.text).toMatch(/x-content-type-options: nosniff/i);
  });

  test.each(['/%ff', '/api/events/%E0%A4%A', '/api/nothing'])(
    '%s is refused to a foreign host and origin',
    async (path) => {
      expect(statusOf(await ask(path, 'origin: http://other.example'))).toBe(403);
      const foreign = await exchange(
        port,
        `GET ${path} HTTP/1.1\r\nhost: rebound.example\r\nconnection: close\r\n\r\n`,
      );
      expect([statusOf(foreign), foreign.text]).toEqual([403, expect.stringMatching(/nosniff/)]);
    },
  );

  test('to bytes that are no request too', async () => {
    const answer = await exchange(port, 'nonsense\r\n\r\n');
    expect([statusOf(answer), answer.text]).toEqual([400, expect.stringMatching(/nosniff/)]);
    const long = await exchange(
      port,
      `GET / HTTP/1.1\r\nhost: localhost\r\nx: ${'y'.repeat(40_000)}\r\n\r\n`,
    );
    expect(statusOf(long)).toBe(431);
  });

  test.each([
    ['upgrade: h2c'],
    ['upgrade: websocket', 'sec-websocket-version: 12', 'sec-websocket-key: AAAAAAAAAAAAAAAAAAAAAA=='],
    ['upgrade: websocket', 'sec-websocket-version: 13', 'sec-websocket-key: x'],
  ])('to a handshake that is none (%s) too', async (...headers) => {
    const answer = await exchange(
      port,
      ['GET /api/live HTTP/1.1', 'host: localhost', 'connection: Upgrade', ...headers, '', ''].join('\r\n'),
    );
    expect([statusOf(answer), answer.text]).toEqual([
      400,
      expect.stringMatching(/nosniff[\s\S]*WebSocket 13/),
    ]);
  });

  test('to an address in absolute form is a refusal: it would pass the checks by', async () => {
    expect(statusOf(await ask(`http://127.0.0.1:${port}/api/rig`, 'sec-fetch-site: cross-site'))).toBe(400);
  });
});

describe('a failure', () => {
  test('of the server is logged with the number that the answer has, and no path goes out', async () => {
    library.list = () => {
      throw new Error("EIO: i/o error, open '/srv/secret/data/tripwave.db'");
    };
    const answer = await ask('/api/events');
    expect(statusOf(answer)).toBe(500);
    const number = /under the number (\S+)\."/.exec(answer.text)?.[1];
    expect(answer.text).not.toMatch(/srv|EIO/);
    expect(logged).toEqual([
      expect.stringMatching(new RegExp(`^request ${number} failed: GET /api/events: .*EIO`)),
    ]);
  });

  test('of a record says what is wrong without a path', async () => {
    library.get = () => {
      throw new DataError('/srv/secret/data/events/2026/11/x/event.json: no JSON');
    };
    const answer = await ask('/api/events/event-1');
    expect([statusOf(answer), answer.text]).toEqual([409, expect.stringContaining('event.json: no JSON')]);
    expect(answer.text).not.toContain('srv');
  });

  test('in the middle of an export is seen as one by the client, and logged', async () => {
    const whole = library.exported('event-1', { channels: null, from_s: null, to_s: null })!;
    async function* chunks() {
      yield* whole.chunks();
      throw new Error('the disk went away');
    }
    library.exported = () => ({ ...whole, chunks });
    for (const version of ['1.1', '1.0']) {
      const answer = await exchange(
        port,
        `GET /api/events/event-1/export.csv HTTP/${version}\r\nhost: localhost\r\n\r\n`,
      );
      // HTTP/1.0 has no last chunk to miss: only a reset tells.
      expect([version, answer.code]).toEqual([version, 'ECONNRESET']);
      expect(answer.text).not.toMatch(/\r\n0\r\n\r\n$/);
    }
    expect(logged).toHaveLength(2);
    expect(logged[0]).toMatch(
      /^download \S+ broken off: GET \/api\/events\/event-1\/export.csv: .*the disk went away/,
    );
  });
});

describe('clients that hold on', () => {
  test('a head or a body that trickles is ended in time', async () => {
    await app.close();
    await start({ patience: { ...usualPatience, head_ms: 800, request_ms: 1200, check_ms: 100 } });
    const slow = async (text: string) => {
      const socket = await hold(port);
      held.push(socket);
      const begun_ms = Date.now();
      socket.on('error', () => undefined);
      socket.write(text);
      const timer = setInterval(() => socket.writable && socket.write('x'), 100);
      socket.resume();
      await once(socket, 'close');
      clearInterval(timer);
      return Date.now() - begun_ms;
    };
    const head = `POST /api/events HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\n`;
    const took_ms = await Promise.all([
      slow(`${head}content-length: 9999\r\n\r\n{`),
      slow(`${head}x: `),
      slow(''),
      slow(`GET /healthz HTTP/1.1\r\nhost: localhost\r\ncontent-length: 9999\r\n\r\n{`),
    ]);
    for (const each of took_ms) expect(each).toBeLessThan(4000);
  });

  test('connections and viewers have a cap, told in words, and the API stays reachable', async () => {
    await app.close();
    // Room for 20 connections beside what the store needs.
    await start({ descriptors: { limit: 100, used: 32 } });
    const viewers: WebSocket[] = [];
    for (let k = 0; k < 20; k++) viewers.push(new WebSocket(`ws://127.0.0.1:${port}/api/live`));
    await vi.waitFor(() => expect(hub.counters.viewersRefused).toBe(5), 20_000);
    expect(hub.viewers).toBe(15);
    expect((await fetch(`http://127.0.0.1:${port}/healthz`)).status).toBe(200);
    for (let k = 0; k < 5; k++) held.push(await hold(port));
    const refused = await ask('/api/status');
    expect([statusOf(refused), refused.text]).toEqual([
      503,
      expect.stringContaining('connections of this server are in use'),
    ]);
    expect(refused.text).toMatch(/retry-after: \d+/i);
    expect(hub.counters.connectionsRefused).toBeGreaterThan(0);
    for (const viewer of viewers) viewer.close();
    await vi.waitFor(async () => expect(statusOf(await ask('/api/status'))).toBe(200), 20_000);
  });
});
