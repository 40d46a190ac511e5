/** Keys of the `publish:` section: what reaches a receiver in this process. Loopback only. */
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect } from 'vitest';
import type { PublishConfig } from '../../../config/publish.ts';
import { createSink } from '../../../daemon/publish/create-sink.ts';
import type { Delivery } from '../../../daemon/publish/sink.ts';
import { makeCertificates } from '../brokers.ts';
import { type PacketIn, PickyBroker } from '../picky-broker.ts';
import { messagesOf, summaryPayload } from '../publish-messages.ts';
import { sinkStart } from '../sink-start.ts';
import { type WriteRequest, WriteServer } from '../write-server.ts';
import { read } from './key-record.ts';
import { type KeyRow, row, rowElsewhere } from './key-row.ts';

function publishing(keys: string): PublishConfig {
  const { config, lines } = read(['trip:\n', `publish: { ${keys} }\ntrip:\n`]);
  if (config?.publish === undefined) throw new Error(lines.join('\n'));
  return config.publish;
}

const influx = (url: string, more = '') =>
  `sinks: [{ kind: influx, name: a, url: "${url}", bucket: b${more} }]`;
const mqtt = (url: string, more = '') => `sinks: [{ kind: mqtt, name: a, url: "${url}"${more} }]`;
const sparkplug = (url: string, more = '') =>
  `sinks: [{ kind: sparkplug, name: a, url: "${url}", group: plant${more} }]`;

const batch = { isHistorical: false, messages: messagesOf([summaryPayload(0, 2)]) };

/** Sends one message through the only sink of the file. */
async function deliver(keys: string): Promise<Delivery> {
  const { sinks, node } = publishing(keys);
  const sink = createSink(sinks[0]!);
  sink.start(sinkStart({ node }));
  try {
    return await sink.deliver(batch, AbortSignal.timeout(5000));
  } finally {
    await sink.stop();
  }
}

/** The first request at a server that takes everything. */
async function written(more: string): Promise<WriteRequest> {
  const server = new WriteServer();
  const url = await server.listen();
  try {
    await deliver(influx(url, more));
    return server.requests[0]!;
  } finally {
    await server.close();
  }
}

interface Connect extends PacketIn {
  readonly clientId?: string;
  readonly username?: string;
  readonly password?: Buffer;
}

/** Packets that came to a broker that takes everything. */
async function said(
  keys: (url: string) => string,
  accept: (packet: PacketIn) => boolean = () => true,
): Promise<Connect[]> {
  const taken: Connect[] = [];
  const broker = new PickyBroker((packet) => {
    taken.push(packet);
    return accept(packet) ? 'answer' : 1;
  });
  await broker.open();
  try {
    await deliver(keys(broker.url));
    return taken;
  } finally {
    await broker.shut();
  }
}

const connect = async (more: string) => (await said((url) => mqtt(url, more)))[0]!;
const topics = (packets: readonly PacketIn[]) =>
  packets.flatMap(({ cmd, topic }) => (cmd === 'publish' ? [topic!] : []));

/** A secret in a file of its own, and in a variable of the environment. */
async function withSecret<T>(use: (file: string) => Promise<T>): Promise<T> {
  const folder = mkdtempSync(join(tmpdir(), 'keys-secret-'));
  const file = join(folder, 'secret');
  writeFileSync(file, 'from-file\n', { mode: 0o600 });
  process.env['KEYS_SECRET'] = 'from-variable';
  try {
    return await use(file);
  } finally {
    delete process.env['KEYS_SECRET'];
    rmSync(folder, { recursive: true, force: true });
  }
}

const variable = '{ variable: KEYS_SECRET }';
const basic = (password: string) => `Basic ${Buffer.from(`u:${password}`).toString('base64')}`;
const v1 = ', api: v1, user: u, password: ';
const tls = [
  'integration/mqtt-mosquitto.test.ts',
  'over TLS with a certificate of its own; without it, or to a stranger, nothing is sent and the reason is told',
] as const;
const asWritten = (key: 'authority' | 'certificate' | 'key') => () => {
  const [sink] = publishing(
    mqtt('mqtts://broker.example', ', authority: a.pem, certificate: c.pem, key: k.pem'),
  ).sinks;
  expect(sink!.kind === 'mqtt' && sink![key]).toBe(
    { authority: 'a.pem', certificate: 'c.pem', key: 'k.pem' }[key],
  );
};
/** Time until a receiver that says nothing is given up, in s. */
async function patience_s(keys: (url: string) => string): Promise<number> {
  const broker = new PickyBroker(() => 'nothing');
  await broker.open();
  const start_ms = performance.now();
  try {
    expect((await deliver(keys(broker.url))).unavailable).not.toBeNull();
    return (performance.now() - start_ms) / 1000;
  } finally {
    await broker.shut();
  }
}

export const publishKeys: readonly KeyRow[] = [
  row('publish.node', 'name of the station in every topic', async () => {
    const all = topics(await said((url) => `node: north-1, ${mqtt(url)}`));
    expect(all.some((topic) => topic === 'tripwave/north-1/status')).toBe(true);
  }),
  rowElsewhere(
    'publish.quota',
    'beyond it the oldest are shed',
    () => expect(publishing(`quota: 20 MB, ${influx('https://h.example')}`).quota_bytes).toBe(2e7),
    ['property/outbox.test.ts', 'what is the oldest is shed first'],
  ),
  rowElsewhere(
    'publish.backlogRate',
    'messages a second of what has waited',
    () => expect(publishing(`backlogRate: 7, ${influx('https://h.example')}`).backlogRate_Hz).toBe(7),
    [
      'unit/publish/sink-task.test.ts',
      'fresh messages overtake the backlog, which comes at its rate and is marked',
    ],
  ),
  rowElsewhere(
    'sink.name',
    'its place in the queue',
    () => expect(publishing(influx('https://h.example')).sinks[0]!.name).toBe('a'),
    [
      'property/outbox.test.ts',
      'each sink gets each of its messages, in order within a lane, or it is counted as shed',
    ],
  ),
  rowElsewhere(
    'sink.send',
    'kinds that it gets',
    () => expect(publishing(influx('https://h.example', ', send: [trip]')).sinks[0]!.send).toEqual(['trip']),
    [
      'property/outbox.test.ts',
      'each sink gets each of its messages, in order within a lane, or it is counted as shed',
    ],
  ),
  row('publish.sinks[](influx).kind', 'line protocol by HTTP', async () => {
    expect((await written('')).lines[0]).toMatch(/^rig_/);
  }),
  row('publish.sinks[](influx).url', 'address and path', async () => {
    const server = new WriteServer();
    const url = await server.listen();
    try {
      await deliver(influx(`${url}/behind/proxy`));
      expect(server.requests[0]!.path).toContain('/behind/proxy/api/v2/write');
    } finally {
      await server.close();
    }
  }),
  row('publish.sinks[](influx).api', 'path of version 1 or 2', async () => {
    expect((await written(', api: v1')).path).toMatch(/^\/write\?db=b/);
    expect((await written(', api: v2')).path).toMatch(/^\/api\/v2\/write\?/);
  }),
  row('publish.sinks[](influx).organisation', 'in the request', async () => {
    expect((await written(', organisation: waterworks')).path).toContain('org=waterworks');
  }),
  row('publish.sinks[](influx).bucket', 'in the request', async () => {
    expect((await written('')).path).toContain('bucket=b');
  }),
  row('publish.sinks[](influx).token.file', 'its first line is the token', async () => {
    await withSecret(async (file) => {
      expect((await written(`, token: { file: ${file} }`)).headers.authorization).toBe('Token from-file');
    });
  }),
  row('publish.sinks[](influx).token.variable', 'it holds the token', async () => {
    await withSecret(async () => {
      expect((await written(`, token: ${variable}`)).headers.authorization).toBe('Token from-variable');
    });
  }),
  row('publish.sinks[](influx).user', 'in the request of version 1', async () => {
    await withSecret(async () => {
      expect((await written(`${v1}${variable}`)).headers.authorization).toBe(basic('from-variable'));
    });
  }),
  row('publish.sinks[](influx).password.file', 'its first line is the password', async () => {
    await withSecret(async (file) => {
      expect((await written(`${v1}{ file: ${file} }`)).headers.authorization).toBe(basic('from-file'));
    });
  }),
  row('publish.sinks[](influx).password.variable', 'it holds the password', async () => {
    await withSecret(async () => {
      expect((await written(`${v1}${variable}`)).headers.authorization).toBe(basic('from-variable'));
    });
  }),
  row('publish.sinks[](influx).authority', 'a server that it signed is trusted, no other', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'keys-tls-'));
    try {
      makeCertificates(folder);
      const pem = (name: string) => readFileSync(join(folder, name), 'utf8');
      const server = new WriteServer(undefined, { key: pem('broker.key'), cert: pem('broker.crt') });
      const url = await server.listen();
      try {
        expect((await deliver(influx(url))).unavailable?.why).toMatch(/certificate/);
        expect((await deliver(influx(url, `, authority: ${folder}/stranger.crt`))).unavailable?.why).toMatch(
          /certificate/,
        );
        expect((await deliver(influx(url, `, authority: ${folder}/authority.crt`))).settled).toBe(1);
      } finally {
        await server.close();
      }
    } finally {
      rmSync(folder, { recursive: true, force: true });
    }
  }),
  row('publish.sinks[](influx).timeout', 'a request without an answer is given up', async () => {
    const server = new WriteServer(() => undefined);
    const url = await server.listen();
    const start_ms = performance.now();
    try {
      expect((await deliver(influx(url, ', timeout: 1 s'))).unavailable).not.toBeNull();
      expect(performance.now() - start_ms).toBeGreaterThan(900);
      expect(performance.now() - start_ms).toBeLessThan(4000);
    } finally {
      await server.close();
    }
  }),
  row('publish.sinks[](mqtt).kind', 'JSON on topics', async () => {
    expect(topics(await said((url) => mqtt(url))).some((topic) => topic.endsWith('/summary'))).toBe(true);
  }),
  row('broker.url', 'which broker', async () => {
    expect((await connect('')).cmd).toBe('connect');
  }),
  row('broker.version', '3.1.1 (4) or 5 in CONNECT', async () => {
    expect((await connect(', version: 3.1.1')).protocolVersion).toBe(4);
    expect((await connect(", version: '5'")).protocolVersion).toBe(5);
  }),
  row('broker.clientId', 'in CONNECT', async () => {
    expect((await connect(', clientId: own-7')).clientId).toBe('own-7');
  }),
  row('broker.user', 'in CONNECT', async () => {
    await withSecret(async () => {
      expect((await connect(`, user: u, password: ${variable}`)).username).toBe('u');
    });
  }),
  row('broker.password.file', 'its first line is the password', async () => {
    await withSecret(async (file) => {
      expect((await connect(`, user: u, password: { file: ${file} }`)).password!.toString()).toBe(
        'from-file',
      );
    });
  }),
  row('broker.password.variable', 'it holds the password', async () => {
    await withSecret(async () => {
      expect((await connect(`, user: u, password: ${variable}`)).password!.toString()).toBe('from-variable');
    });
  }),
  rowElsewhere(
    'broker.authority',
    'a broker that it signed is trusted, no other',
    asWritten('authority'),
    tls,
  ),
  rowElsewhere('broker.certificate', 'what this machine shows', asWritten('certificate'), tls),
  rowElsewhere('broker.key', 'the private key of the certificate', asWritten('key'), tls),
  row('broker.timeout', 'a broker without an answer is given up', async () => {
    const short_s = await patience_s((url) => mqtt(url, ', timeout: 1 s'));
    expect(short_s).toBeGreaterThan(0.9);
    expect(short_s).toBeLessThan(4);
  }),
  row('publish.sinks[](mqtt).topic', 'what all topics begin with', async () => {
    const all = topics(await said((url) => mqtt(url, ', topic: water/east')));
    expect(all.length).toBeGreaterThan(0);
    expect(all.every((topic) => topic.startsWith('water/east/'))).toBe(true);
  }),
  row('publish.sinks[](mqtt).commands', 'a subscription to commands, or none', async () => {
    const asked = async (more: string) =>
      (await said((url) => mqtt(url, more))).flatMap(({ subscriptions }) => subscriptions ?? []).length;
    expect([await asked(''), await asked(', commands: [status]')]).toEqual([0, 1]);
  }),
  row('publish.sinks[](sparkplug).kind', 'a birth in the namespace of Sparkplug B', async () => {
    expect(topics(await said((url) => sparkplug(url)))[0]).toMatch(/^spBv1\.0\/plant\/NBIRTH\//);
  }),
  row('publish.sinks[](sparkplug).group', 'second part of its topics', async () => {
    const all = topics(await said((url) => sparkplug(url).replace('group: plant', 'group: east')));
    expect(all[0]).toMatch(/^spBv1\.0\/east\//);
  }),
  rowElsewhere(
    'publish.sinks[](sparkplug).primaryHost',
    'nothing is sent until it is online',
    async () => {
      const all = await said((url) => sparkplug(url, ', primaryHost: control, timeout: 1 s'));
      expect(topics(all).filter((topic) => topic.includes('NBIRTH'))).toEqual([]);
    },
    [
      'integration/sparkplug.test.ts',
      'nothing is born before the primary host is online, and it dies when the host goes',
    ],
  ),
];
