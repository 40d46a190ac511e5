/** Receivers that behave badly in every way, beside a good one: neither the recorder nor the good one must notice. */
import { existsSync } from 'node:fs';
import type { Socket } from 'node:net';
import { afterEach, beforeEach, describe, test } from 'vitest';
import { besideBadReceivers } from './beside-bad-receivers.ts';
import { temporaryFolder } from './event-builder.ts';
import { rawServer, selfSigned } from './raw-server.ts';
import { influxConfig } from './sink-configs.ts';
import { WriteServer } from './write-server.ts';

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

async function raw(onSocket: (socket: Socket) => void, scheme = 'http'): Promise<string> {
  return `${scheme}://127.0.0.1:${await rawServer(closers, onSocket)}`;
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
      raw((socket) => {
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
    open: () => raw((socket) => void socket.on('data', () => undefined).end()),
    says: /socket hang up|reset|aborted/i,
  },
  'closing in the middle of its answer': {
    open: () =>
      raw((socket) => {
        socket.once('data', () => {
          socket.write('HTTP/1.1 500 Sorry\r\ncontent-length: 100\r\n\r\nfirst half');
          setTimeout(() => socket.destroy(), 50);
        });
      }),
    says: /reset|aborted|hang up/i,
  },
  'speaking no TLS where TLS is expected': {
    open: () => raw((socket) => void socket.write('SSH-2.0-nothing\r\n'), 'https'),
    says: /SSL|TLS|wrong version|packet/i,
  },
  'showing a certificate that nobody signed': {
    open: () => httpServer(undefined, selfSigned(folder.path)),
    says: /self-signed certificate/,
  },
};

const none = 'absent from the file';
const quickKinds = [none, 'hanging, never an answer', 'refusing all with 400'];
/** Few enough for every run of the tests, and the others. */
export const badServers = {
  quick: quickKinds,
  slow: Object.keys(kinds).filter((name) => !quickKinds.includes(name)),
};

/** A test for each of the named kinds. */
export function describeBadServers(names: readonly string[]): void {
  describe.skipIf(!hasOpenssl)('a receiver that is', () => {
    test.each(names)('%s', async (name) => {
      const bad = [];
      if (name !== none) {
        const { open, says } = kinds[name]!;
        bad.push({ sink: influxConfig(await open(), { name: 'bad', timeout_s: 2 }), says });
      }
      await besideBadReceivers(name, folder.path, bad, closers);
    });
  });
}
