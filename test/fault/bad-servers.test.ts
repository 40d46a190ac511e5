/** Receivers that behave badly in every way, beside a good one: neither the recorder nor the good one must notice. */
import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { createServer, type Server, type Socket } from 'node:net';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import type { SinkView } from '../../daemon/web/wire.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { pushedLine } from '../support/pushed-line.ts';
import { PushedDriver, recorderRig } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';
import { influxConfig } from '../support/sink-configs.ts';
import { feedInterval_s, TripFeed } from '../support/trip-feed.ts';
import { WriteServer } from '../support/write-server.ts';

const serverModule = new URL('../../daemon/web/server-main.ts', import.meta.url).pathname;
const hasOpenssl = existsSync('/usr/bin/openssl');
if (!hasOpenssl) console.warn('skipped: no openssl here (apt-get install openssl)');

let folder: ReturnType<typeof temporaryFolder>;
let closers: (() => Promise<void>)[];
beforeEach(() => {
  folder = temporaryFolder();
  closers = [];
});
afterEach(async () => {
  for (const close of closers.reverse()) await close();
  folder.remove();
});

async function httpServer(...options: ConstructorParameters<typeof WriteServer>): Promise<string> {
  const server = new WriteServer(...options);
  closers.push(() => server.close());
  return server.listen();
}

/** A server that does as it likes with each connection. */
async function rawServer(onSocket: (socket: Socket) => void, scheme = 'http'): Promise<string> {
  const sockets = new Set<Socket>();
  const server: Server = createServer({ allowHalfOpen: true }, (socket) => {
    sockets.add(socket);
    socket.on('error', () => socket.destroy());
    onSocket(socket);
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  closers.push(async () => {
    for (const socket of sockets) socket.destroy();
    await new Promise<void>((resolve) => server.close(() => resolve()));
  });
  return `${scheme}://127.0.0.1:${(server.address() as { port: number }).port}`;
}

function selfSigned(): { key: string; cert: string } {
  const at = (name: string) => join(folder.path, name);
  const words = `req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=elsewhere.example -keyout ${at('key')} -out ${at('cert')}`;
  execFileSync('/usr/bin/openssl', words.split(' '), { stdio: 'ignore' });
  return { key: readFileSync(at('key'), 'utf8'), cert: readFileSync(at('cert'), 'utf8') };
}

/** Each kind with its address and what its sink says of it. */
const kinds: Record<string, { open: () => Promise<string>; says: RegExp | null }> = {
  'slow, five seconds an answer': {
    open: () =>
      httpServer((_request, response) => void setTimeout(() => response.writeHead(204).end(), 5000)),
    says: null,
  },
  'hanging, never an answer': { open: () => httpServer(() => undefined), says: /timed out/ },
  'trickling, a byte of its answer now and then': {
    open: () =>
      rawServer((socket) => {
        socket.write('HTTP/1.1 2');
        const timer = setInterval(() => socket.write('0'), 300);
        socket.on('close', () => clearInterval(timer));
      }),
    says: null,
  },
  'refusing all with 400': {
    open: () => httpServer((_request, response) => void response.writeHead(400).end('never')),
    says: /refuses everything: HTTP 400: never/,
  },
  'failing with 500': {
    open: () => httpServer((_request, response) => void response.writeHead(500).end('broken')),
    says: /HTTP 500: broken/,
  },
  'half-closed: ends its side and keeps the connection': {
    open: () => rawServer((socket) => void socket.on('data', () => undefined).end()),
    says: /socket hang up|reset|aborted/i,
  },
  'closing in the middle of its answer': {
    open: () =>
      rawServer((socket) => {
        socket.once('data', () => {
          socket.write('HTTP/1.1 500 Sorry\r\ncontent-length: 100\r\n\r\nfirst half');
          setTimeout(() => socket.destroy(), 50);
        });
      }),
    says: /reset|aborted|hang up/i,
  },
  'speaking no TLS where TLS is expected': {
    open: () => rawServer((socket) => void socket.write('SSH-2.0-nothing\r\n'), 'https'),
    says: /SSL|TLS|wrong version|packet/i,
  },
  'showing a certificate that nobody signed': {
    open: () => httpServer(undefined, selfSigned()),
    says: /self-signed certificate/,
  },
};

describe.skipIf(!hasOpenssl)('a receiver that is', () => {
  test.each(['absent from the file', ...Object.keys(kinds)])('%s', async (name) => {
    const kind = kinds[name];
    const good = new WriteServer();
    closers.push(() => good.close());
    const goodUrl = await good.listen();
    const sinks = [
      influxConfig(goodUrl, { name: 'good', timeout_s: 2 }),
      ...(kind === undefined ? [] : [influxConfig(await kind.open(), { name: 'bad', timeout_s: 2 })]),
    ];
    const driver = new PushedDriver(feedInterval_s);
    const config = {
      ...recorderRig({ dataFolder: folder.path }),
      lines: [pushedLine],
      server: { host: '127.0.0.1', port: 0 },
      publish: { node: 'marrowfen-1', quota_bytes: 1e8, backlogRate_Hz: 200, sinks },
    };
    const recorder: Recorder = await startRecorder(config, {
      serverModule,
      createDriver: () => driver,
      log: silentLog(),
    });
    closers.push(() => recorder.stop());
    let port = 0;
    let closed = '';
    recorder.on('ready', (ready) => {
      port = ready.port;
    });
    recorder.on('event-closed', ({ event }) => {
      closed = event;
    });
    const feed = new TripFeed(driver);
    await vi.waitFor(() => expect(port).toBeGreaterThan(0), 30_000);

    // Two seconds in step with the clock, on a grid of 10 ms.
    const late_ms: number[] = [];
    const begin_ms = performance.now();
    for (let k = 1; k <= 200; k++) {
      const wait_ms = begin_ms + k * 10 - performance.now();
      if (wait_ms > 0) await delay(wait_ms);
      late_ms.push(performance.now() - begin_ms - k * 10);
      if (k % 5 === 0) feed.push(0.05);
    }
    feed.push(3);
    await vi.waitFor(() => expect(closed).not.toBe(''), 20_000);
    await vi.waitFor(
      () =>
        expect(good.lines.some((line) => line.startsWith('rig_event') && line.includes(closed))).toBe(true),
      20_000,
    );
    expect(good.lines.filter((line) => line.startsWith('rig_pressure,')).length).toBeGreaterThan(0);
    expect(good.lines.filter((line) => line.startsWith('rig_metric,')).length).toBeGreaterThan(0);
    const { counters } = recorder.status();
    expect(counters).toMatchObject({ serverExits: 0, serverStarts: 1 });
    if (kind !== undefined) {
      const bad = async () => {
        const { sinks: views } = (await (await fetch(`http://127.0.0.1:${port}/api/sinks`)).json()) as {
          sinks: SinkView[];
        };
        expect(views.find((view) => view.name === 'good')).toMatchObject({ state: 'up', why: '' });
        return views.find((view) => view.name === 'bad')!;
      };
      const says = kind.says;
      if (says !== null) await vi.waitFor(async () => expect((await bad()).why).toMatch(says), 20_000);
      // Nothing of it is lost: it waits.
      expect((await bad()).counters).toMatchObject({ messagesRejected: 0, messagesShed: 0 });
    }
    late_ms.sort((a, b) => a - b);
    const at = (share: number) => late_ms[Math.floor(share * (late_ms.length - 1))]!.toFixed(2);
    console.info(
      `${name}: recorder late p50 ${at(0.5)} p99 ${at(0.99)} max ${at(1)} ms; summaries dropped ${counters['summariesDropped']}`,
    );
  });
});
