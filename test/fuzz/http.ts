/**
 * Every route of the API's own description, asked wrongly in every way: numbers without end, bad escapes, extra keys, foreign
 * senders, aborted downloads, bodies that trickle, bytes that are no request. The real server process over a real data folder.
 */
import { Agent, request } from 'node:http';
import { connect, type Socket } from 'node:net';
import { setTimeout as delay } from 'node:timers/promises';
import {
  type Description,
  type Known,
  type MadeRequest,
  makeRequest,
  operationsOf,
} from './http-requests.ts';
import { type RealServer, ring_s, ringBegin_ms, startRealServer } from './http-server.ts';
import { Random } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

const atOnce = 6;
/** Bodies that trickle and silent connections that are held at a time. */
const mostHeld = 12;
/** Memory that the server may gain once it is warm, in MB: its young generation and caches fill over some 10 000 requests. */
const mostServerGrowth_MB = 50;
/** Within so long the processor has nothing to do again, in s. */
const rest_s = 5;
/** Above what it took before any request, as a share of a core. */
const busy_ratio = 0.05;

interface Answer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string | readonly string[] | undefined>>;
  readonly body: string;
}

class HttpFuzz {
  readonly counts = { served: 0, refused: 0, busy: 0, aborted: 0, slow: 0, garbage: 0 };
  readonly #server: RealServer;
  readonly #agent = new Agent({ keepAlive: true, maxSockets: atOnce });
  readonly #held = new Set<Socket>();

  constructor(server: RealServer) {
    this.#server = server;
  }

  async description(): Promise<Description> {
    const { body } = await this.#ask({
      method: 'GET',
      path: '/api/openapi.json',
      headers: {},
      body: null,
      wrong: [],
    });
    return JSON.parse(body) as Description;
  }

  /** Every event stands in the index. */
  async isIndexed(): Promise<void> {
    for (let tries = 0; tries < 100; tries++) {
      const { body } = await this.#ask({
        method: 'GET',
        path: '/api/events',
        headers: {},
        body: null,
        wrong: [],
      });
      if ((JSON.parse(body) as { events: object[] }).events.length === this.#server.events.length) return;
      await delay(100);
    }
    throw new Error('the server does not take in the events it was given');
  }

  /** One request of any kind. Throws where a promise is broken. */
  async one(made: MadeRequest, random: Random): Promise<void> {
    const kind = random.below(100);
    if (kind < 2) return this.#garbage(made, random);
    if (kind < 4) return this.#holdOn(made, random);
    if (/export|verdicts/.test(made.path) && random.oneIn(4)) return this.#abort(made, random);
    const answer = await this.#ask(made);
    this.#judge(made, answer);
  }

  close(): void {
    this.#agent.destroy();
    for (const socket of this.#held) socket.destroy();
  }

  #judge({ method, path, headers, wrong }: MadeRequest, { status, headers: got, body }: Answer): void {
    const what = `${method} ${path.slice(0, 300)} ${JSON.stringify(headers)}`;
    const broken = (promise: string) =>
      new Error(
        `${promise}: ${what} was answered ${status} ${body.slice(0, 300)}; log: ${this.#server.log()}`,
      );
    const isHealth = /^\/(readyz|healthz|metrics)/.test(path);
    if (status >= 500 && status !== 503) throw broken('no request makes the server fail');
    if (status === 503 && got['retry-after'] === undefined && !isHealth) {
      throw broken('a busy server says when to come again');
    }
    if (status === 503) this.counts.busy++;
    else this.counts[status < 400 ? 'served' : 'refused']++;
    if (wrong.length > 0 && status < 400) throw broken(`refused is ${wrong.join(', ')}`);
    if (got['x-content-type-options'] !== 'nosniff') throw broken('every answer has security headers');
    if (body.includes(this.#server.folder)) throw broken('no answer holds a path of the server');
    if (status >= 400 && method !== 'HEAD' && !isHealth && !/^\{"error":".{10}/.test(body)) {
      throw broken('every refusal says why');
    }
  }

  #ask({ method, path, headers, body }: MadeRequest): Promise<Answer> {
    return new Promise((resolve, reject) => {
      const asked = request(
        {
          host: '127.0.0.1',
          port: this.#server.port,
          method,
          path,
          headers,
          agent: this.#agent,
          timeout: 30_000,
        },
        (response) => {
          const parts: Buffer[] = [];
          response.on('data', (part: Buffer) => parts.push(part));
          response.on('end', () =>
            resolve({
              status: response.statusCode!,
              headers: response.headers,
              body: Buffer.concat(parts).toString('latin1'),
            }),
          );
          response.on('error', reject);
        },
      );
      asked.on('timeout', () => asked.destroy(new Error(`no answer in 30 s: ${method} ${path}`)));
      asked.on('error', (error: NodeJS.ErrnoException) => {
        // A connection that was kept may be closed while the request is on its way: asked again by every client.
        if (asked.reusedSocket && (error.code === 'ECONNRESET' || error.code === 'EPIPE')) {
          this.#ask({ method, path, headers, body, wrong: [] }).then(resolve, reject);
          return;
        }
        reject(new Error(`${method} ${path.slice(0, 300)}: ${error.message}; ${this.#server.ended() ?? ''}`));
      });
      asked.end(body ?? undefined);
    });
  }

  /** Reads some of the answer and goes. */
  #abort({ method, path, headers }: MadeRequest, random: Random): Promise<void> {
    this.counts.aborted++;
    return new Promise((resolve) => {
      const asked = request({
        host: '127.0.0.1',
        port: this.#server.port,
        method,
        path,
        headers,
        agent: false,
      });
      const go = () => {
        asked.destroy();
        resolve();
      };
      asked.on('error', resolve);
      asked.on('response', (response) => {
        response.on('error', () => undefined);
        if (random.oneIn(2)) go();
        else response.once('data', go).once('end', go);
      });
      asked.end();
      if (random.oneIn(4)) setTimeout(go, random.below(5));
    });
  }

  /** A body that never comes whole, or a download that nobody reads: held while others are served. */
  async #holdOn({ path }: MadeRequest, random: Random): Promise<void> {
    this.counts.slow++;
    if (this.#held.size >= mostHeld) {
      const oldest = this.#held.values().next().value!;
      this.#held.delete(oldest);
      oldest.destroy();
    }
    const socket = await this.#connect();
    this.#held.add(socket);
    socket.once('close', () => this.#held.delete(socket));
    const host = `host: 127.0.0.1:${this.#server.port}\r\n`;
    if (random.oneIn(3)) {
      socket.write(`GET ${printable(path)} HTTP/1.1\r\n${host}\r\n`);
      return;
    }
    socket.resume();
    socket.write(
      `POST /api/events HTTP/1.1\r\n${host}content-type: application/json\r\ncontent-length: 900\r\n\r\n{`,
    );
    const timer = setInterval(() => socket.writable && socket.write(' '), 200);
    socket.once('close', () => clearInterval(timer));
  }

  /** Bytes that may be no request. Whatever is answered has the headers of a safe answer. */
  async #garbage({ path }: MadeRequest, random: Random): Promise<void> {
    this.counts.garbage++;
    const socket = await this.#connect();
    const noise = Buffer.from(random.fill(new Uint8Array(1 + random.below(200))));
    const host = `host: 127.0.0.1:${this.#server.port}\r\n`;
    const bytes = random.pick([
      () => noise,
      () =>
        Buffer.concat([
          Buffer.from(`GET ${printable(path)} HTTP/1.1\r\nhost: `),
          noise,
          Buffer.from('\r\n\r\n'),
        ]),
      () => Buffer.concat([Buffer.from('GET /'), noise, Buffer.from(` HTTP/1.1\r\n${host}\r\n`)]),
      () => Buffer.from(`GET http://127.0.0.1${printable(path)} HTTP/1.1\r\n${host}\r\n`),
      () =>
        Buffer.from(
          `GET ${printable(path)} HTTP/1.1\r\n${host}connection: Upgrade\r\nupgrade: websocket\r\n\r\n`,
        ),
      () => Buffer.from(`GET /api/live HTTP/1.1\r\n${host}connection: Upgrade\r\nupgrade: h2c\r\n\r\n`),
      () => Buffer.from(`POST /api/events HTTP/1.1\r\n${host}transfer-encoding: chunked\r\n\r\nzz\r\n`),
      () => Buffer.from(`GET / HTTP/1.1\r\n${host}x: ${'y'.repeat(30_000)}\r\n\r\n`),
    ])();
    let text = '';
    await new Promise<void>((resolve) => {
      socket.on('data', (part) => {
        text += part.toString('latin1');
      });
      socket.once('close', () => resolve());
      socket.setTimeout(100, () => socket.destroy());
      socket.write(bytes);
    });
    const status = Number(/^HTTP\/1\.1 (\d+)/.exec(text)?.[1] ?? 0);
    const isFine =
      status === 0 ||
      (status < 500 && /x-content-type-options: nosniff/i.test(text)) ||
      status === 503 ||
      status === 101;
    if (!isFine) throw new Error(`bytes that are no request were answered ${text.slice(0, 500)}`);
  }

  #connect(): Promise<Socket> {
    return new Promise((resolve, reject) => {
      const socket = connect(this.#server.port, '127.0.0.1', () => resolve(socket));
      socket.on('error', reject);
    });
  }
}

/** Without what would end the line of a request. */
function printable(path: string): string {
  return path.replace(/[^\x21-\x7e]/g, '.');
}

/** Processor time over `span_s`, as a share of a core. */
async function load(server: RealServer, span_s: number): Promise<number> {
  const before = server.cost().cpu_s;
  await delay(span_s * 1000);
  return (server.cost().cpu_s - before) / span_s;
}

async function run(seed: number, count: number, progress: (done: number) => void): Promise<FuzzCounts> {
  const server = await startRealServer();
  const fuzz = new HttpFuzz(server);
  try {
    const operations = operationsOf(await fuzz.description());
    await fuzz.isIndexed();
    const base = await load(server, 1);
    const known: Known = {
      ids: server.events,
      from_ms: ringBegin_ms,
      to_ms: ringBegin_ms + ring_s * 1000,
    };
    let next = 0;
    let done = 0;
    let before_MB = 0;
    const warm = Math.floor(Math.max(count / 5, Math.min(count / 2, 10_000)));
    const worker = async (): Promise<void> => {
      for (;;) {
        const k = next++;
        if (k >= count) return;
        const random = new Random(seed + k);
        await fuzz.one(makeRequest(operations[k % operations.length]!, known, random), random);
        const why = server.ended();
        if (why !== null) throw new Error(`the server lives through every request; it ${why}`);
        if (done++ === warm) before_MB = server.cost().rss_MB;
        progress(done);
      }
    };
    await Promise.all(Array.from({ length: atOnce }, worker));
    fuzz.close();
    const rested_s = await rest(server, base);
    const { rss_MB } = server.cost();
    const growth_MB = Math.round(rss_MB - before_MB);
    if (growth_MB > mostServerGrowth_MB) {
      throw new Error(
        `the server grows by ${mostServerGrowth_MB} MB at most; found ${growth_MB} MB, now ${rss_MB} MB`,
      );
    }
    return {
      routes: operations.length,
      ...fuzz.counts,
      rested_s,
      server_MB: Math.round(rss_MB),
      serverGrowth_MB: growth_MB,
    };
  } finally {
    fuzz.close();
    await server.stop();
  }
}

/** How long the processor went on after the last request, in s. */
async function rest(server: RealServer, base: number): Promise<number> {
  let ratio = 1;
  for (let waited_s = 1; waited_s <= rest_s; waited_s++) {
    ratio = await load(server, 1);
    if (ratio <= base + busy_ratio) return waited_s;
  }
  throw new Error(
    `the processor rests within ${rest_s} s; it is still busy: ${ratio.toFixed(2)} of a core, before ${base.toFixed(2)}`,
  );
}

export const httpTargets: readonly FuzzTarget[] = [{ name: 'http', count: 100_000, smallCount: 2000, run }];
