/** Brokers that behave badly in every way, to JSON and to Sparkplug at once: neither the recorder nor a good receiver must notice. */
import { existsSync } from 'node:fs';
import type { Socket } from 'node:net';
import { setTimeout as delay } from 'node:timers/promises';
import { createServer } from 'node:tls';
import { afterEach, beforeEach, describe, test } from 'vitest';
import { besideBadReceivers } from './beside-bad-receivers.ts';
import { temporaryFolder } from './event-builder.ts';
import { PickyBroker } from './picky-broker.ts';
import { rawServer, selfSigned } from './raw-server.ts';
import { mqttConfig, sparkplugConfig } from './sink-configs.ts';

const hasOpenssl = existsSync('/usr/bin/openssl');
if (!hasOpenssl) console.warn('skipped: no openssl here (apt-get install openssl)');

let folder: ReturnType<typeof temporaryFolder>;
let ends: (() => Promise<void>)[];
beforeEach(() => {
  folder = temporaryFolder();
  ends = [];
});
afterEach(async () => {
  for (const end of ends.reverse()) await end();
  folder.remove();
});

async function picky(...options: ConstructorParameters<typeof PickyBroker>): Promise<string> {
  const broker = new PickyBroker(...options);
  await broker.open();
  ends.push(() => broker.shut());
  return broker.url;
}

async function raw(onSocket: (socket: Socket) => void, scheme = 'mqtt'): Promise<string> {
  return `${scheme}://127.0.0.1:${await rawServer(ends, onSocket)}`;
}

async function untrusted(): Promise<string> {
  const server = createServer(selfSigned(folder.path), (socket) =>
    socket.on('error', () => socket.destroy()),
  );
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  ends.push(() => new Promise<void>((resolve) => server.close(() => resolve())));
  return `mqtts://127.0.0.1:${(server.address() as { port: number }).port}`;
}

/** Data, as JSON (the status goes before it) or as Sparkplug; a ping is what settles the latter. */
const isData = ({ cmd, topic }: { readonly cmd: string; readonly topic?: string }) =>
  cmd === 'publish' &&
  /\/(summary|trip|event|verdict|link|phase|alarm|trend)$|\/[ND]DATA\//.test(topic ?? '');

/** Each kind with its address and what its sinks say of it; null where they may say anything. */
const kinds: Record<string, { open: () => Promise<string>; json: RegExp | null; sparkplug: RegExp | null }> =
  {
    'slow, a second an answer': {
      open: () => picky(() => delay(1000, 'answer' as const)),
      json: null,
      sparkplug: null,
    },
    'hanging, never an answer': {
      open: () => picky(() => 'nothing'),
      json: /does not answer/,
      sparkplug: /does not answer/,
    },
    'taking the connection and nothing more': {
      open: () => picky(({ cmd }) => (cmd === 'connect' ? 'answer' : 'nothing')),
      json: /does not answer/,
      sparkplug: /does not answer/,
    },
    'falling silent at the first message': {
      open: () => {
        let isSilent = false;
        return picky((packet) => {
          // Each connection is taken anew.
          if (packet.cmd === 'connect') isSilent = false;
          isSilent ||= isData(packet);
          return isSilent ? 'nothing' : 'answer';
        });
      },
      json: /does not answer/,
      sparkplug: /does not answer|was lost/,
    },
    'trickling, a byte of its answer now and then': {
      open: () =>
        raw((socket) => {
          // A CONNACK of 100 bytes, of which few ever come.
          socket.write(Buffer.from([0x20, 100]));
          const timer = setInterval(() => socket.write(Buffer.alloc(1)), 300);
          socket.on('close', () => clearInterval(timer));
        }),
      json: /does not answer/,
      sparkplug: /does not answer/,
    },
    'refusing the connection: not authorized': {
      open: () => picky(() => 135),
      json: /Not authorized/,
      sparkplug: /Not authorized/,
    },
    'refusing the connection: server busy': {
      open: () => picky(() => 137),
      json: /Server busy/,
      sparkplug: /Server busy/,
    },
    'refusing every message: not authorized': {
      open: () => picky((packet) => (isData(packet) && packet.qos === 1 ? 135 : 'answer')),
      json: /Not authorized\. Check what the user may publish/,
      // Nothing of QoS 0 can be refused: it is up.
      sparkplug: null,
    },
    'refusing every message: quota exceeded': {
      open: () => picky((packet) => (isData(packet) && packet.qos === 1 ? 151 : 'answer')),
      json: /Quota exceeded/,
      sparkplug: null,
    },
    'closing the connection at every message, with a reason': {
      open: () => picky((packet) => (isData(packet) ? { disconnect: 142 } : 'answer')),
      json: /another client connected with the same clientId/,
      sparkplug: /another client connected with the same clientId/,
    },
    'closing the connection at every message, without a word': {
      open: () => picky((packet) => (isData(packet) ? 'hang up' : 'answer')),
      json: /connection was lost/,
      sparkplug: /connection was lost/,
    },
    'half-closed: ends its side and keeps the connection': {
      open: () => raw((socket) => void socket.on('data', () => undefined).end()),
      json: /hung up/,
      sparkplug: /hung up/,
    },
    'closing in the middle of its answer': {
      open: () =>
        raw((socket) => {
          socket.once('data', () => {
            socket.write(Buffer.from([0x20, 3, 0]));
            setTimeout(() => socket.destroy(), 50);
          });
        }),
      json: /hung up|reset/i,
      sparkplug: /hung up|reset/i,
    },
    'talking garbage': {
      open: () =>
        raw((socket) => {
          socket.once('data', () => socket.write('HTTP/1.1 400 Bad Request\r\n\r\n'));
        }),
      json: /is not an MQTT broker/,
      sparkplug: /is not an MQTT broker/,
    },
    'speaking no TLS where TLS is expected': {
      open: () => raw((socket) => void socket.write('SSH-2.0-nothing\r\n'), 'mqtts'),
      json: /SSL|TLS|wrong version|packet/i,
      sparkplug: /SSL|TLS|wrong version|packet/i,
    },
    'showing a certificate that nobody signed': {
      open: untrusted,
      json: /self-signed certificate/,
      sparkplug: /self-signed certificate/,
    },
  };

const quickKinds = ['hanging, never an answer', 'refusing every message: quota exceeded', 'talking garbage'];
/** Few enough for every run of the tests, and the others. */
export const badBrokers = {
  quick: quickKinds,
  slow: Object.keys(kinds).filter((name) => !quickKinds.includes(name)),
};

/** A test for each of the named kinds. */
export function describeBadBrokers(names: readonly string[]): void {
  describe.skipIf(!hasOpenssl)('a broker that is', () => {
    test.each(names)('%s', async (name) => {
      const { json, open, sparkplug } = kinds[name]!;
      const url = await open();
      const bad = [
        { sink: mqttConfig(url, { name: 'json', timeout_s: 2 }), says: json },
        { sink: sparkplugConfig(url, { name: 'sparkplug', timeout_s: 2 }), says: sparkplug },
      ];
      await besideBadReceivers(name, folder.path, bad, ends);
    });
  });
}
