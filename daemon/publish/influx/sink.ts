/**
 * Line protocol over HTTP. The client library is a bare sender here: one request a batch, no retry and no buffer of its own,
 * for its buffer loses what does not fit and what outlives its patience. Repeats do no harm: a point is known by measurement,
 * tags and time.
 */
import { Agent as HttpAgent } from 'node:http';
import { Agent as HttpsAgent } from 'node:https';
import { HttpError, InfluxDB } from '@influxdata/influxdb-client';
import type { InfluxSinkConfig } from '../../../config/publish.ts';
import { readKeyFile, readSecret } from '../secret.ts';
import type { Batch, Delivery, Rejection, Sink, SinkStart, Unavailable } from '../sink.ts';
import { linesOf, precision, probeLine } from './lines.ts';
import { isRefusal, unavailableFor, wordsOf } from './replies.ts';

/** Bodies from this size on are compressed, in bytes. */
const gzipFrom_bytes = 1000;

/** A line and whose message it is of. */
interface OwnedLine {
  readonly text: string;
  readonly seq: number;
}

/** What a request came to. */
type Answer =
  | { readonly kind: 'taken' }
  | { readonly kind: 'refused'; readonly why: string }
  | { readonly kind: 'unavailable'; readonly unavailable: Unavailable };

export class InfluxSink implements Sink {
  readonly address: string;
  readonly #config: InfluxSinkConfig;
  readonly #wallNow_ms: () => number;
  #agent: HttpAgent | null = null;
  #state: 'new' | 'started' | 'stopped' = 'new';

  constructor(config: InfluxSinkConfig, wallNow_ms: () => number) {
    this.#config = config;
    this.#wallNow_ms = wallNow_ms;
    this.address = `${config.url}, ${config.bucket}`;
  }

  start(_start: SinkStart): void {
    if (this.#state !== 'new') throw new Error(`started when ${this.#state}`);
    this.#state = 'started';
  }

  async stop(): Promise<void> {
    this.#state = 'stopped';
    this.#agent?.destroy();
    this.#agent = null;
  }

  async deliver({ messages }: Batch, signal: AbortSignal): Promise<Delivery> {
    if (this.#state !== 'started') throw new Error(`asked to deliver when ${this.#state}`);
    const lines = messages.flatMap((message) =>
      linesOf(message).map((text): OwnedLine => ({ text, seq: message.seq })),
    );
    const [{ node }] = messages as [(typeof messages)[number]];
    const delivery = new LineDelivery(
      (texts) => this.#write(texts, signal),
      probeLine(node, this.#wallNow_ms()),
    );
    const unavailable = await delivery.place(lines);
    // The first line that was not placed, and its message with it, comes again.
    const open = lines[delivery.placed]?.seq;
    const settled = open === undefined ? messages.length : messages.findIndex(({ seq }) => seq === open);
    const rejected = delivery.rejected.filter(({ seq }) => open === undefined || seq < open);
    return { settled, rejected, unavailable };
  }

  async #write(lines: readonly string[], signal: AbortSignal): Promise<Answer> {
    let failure: unknown = null;
    try {
      const api = this.#client(signal).getWriteApi(
        this.#config.organisation,
        this.#config.bucket,
        precision,
        {
          batchSize: lines.length + 1,
          flushInterval: 0,
          maxRetries: 0,
          gzipThreshold: gzipFrom_bytes,
          // A promise keeps the client from logging; the answer is taken from here.
          writeFailed: async (error) => {
            failure = error;
          },
        },
      );
      if (this.#config.api === 'v1') {
        api.path = `/write?db=${encodeURIComponent(this.#config.bucket)}&precision=u`;
      }
      api.writeRecords([...lines]);
      await api.flush();
      api.dispose();
    } catch (error) {
      failure ??= error;
    }
    if (failure === null) return { kind: 'taken' };
    if (failure instanceof HttpError && isRefusal(failure.statusCode)) {
      return { kind: 'refused', why: wordsOf(failure) };
    }
    return { kind: 'unavailable', unavailable: unavailableFor(failure) };
  }

  /** Secrets are read anew for each request, so that a changed one is used without a restart. Throws when one is missing. */
  #client(signal: AbortSignal): InfluxDB {
    const { authority, password, timeout_s, token, url, user } = this.#config;
    const headers: Record<string, string> = {};
    if (user !== null && password !== null) {
      headers['Authorization'] = `Basic ${Buffer.from(`${user}:${readSecret(password)}`).toString('base64')}`;
    }
    const isSecure = url.startsWith('https:');
    this.#agent ??= isSecure
      ? new HttpsAgent({ keepAlive: true, ...(authority === null ? {} : { ca: readKeyFile(authority) }) })
      : new HttpAgent({ keepAlive: true });
    return new InfluxDB({
      url,
      ...(token === null ? {} : { token: readSecret(token) }),
      timeout: timeout_s * 1000,
      headers,
      transportOptions: { agent: this.#agent, signal },
    });
  }
}

/** Places the lines of one delivery: the whole batch, or around the bad ones by halving. */
class LineDelivery {
  /** Lines from the first on that are done with. */
  placed = 0;
  readonly rejected: Rejection[] = [];
  readonly #write: (lines: readonly string[]) => Promise<Answer>;
  readonly #probe: string;
  /** The server has taken something in this delivery: what it refuses, it refuses for a reason. */
  #hasTaken = false;

  constructor(write: (lines: readonly string[]) => Promise<Answer>, probe: string) {
    this.#write = write;
    this.#probe = probe;
  }

  /** Null when every line is done with. */
  async place(lines: readonly OwnedLine[]): Promise<Unavailable | null> {
    if (lines.length === 0) return null;
    const answer = await this.#write(lines.map(({ text }) => text));
    if (answer.kind === 'unavailable') return answer.unavailable;
    if (answer.kind === 'taken') {
      this.#hasTaken = true;
      this.placed += lines.length;
      return null;
    }
    const [first] = lines as [OwnedLine];
    if (lines.length === 1) {
      const closed = await this.#refusesAll();
      if (closed !== null) return closed;
      this.rejected.push({ seq: first.seq, why: answer.why, sent: first.text });
      this.placed++;
      return null;
    }
    const half = lines.length >> 1;
    return (await this.place(lines.slice(0, half))) ?? (await this.place(lines.slice(half)));
  }

  /** A server, or a gate before it, that refuses everything must not send a whole outbox to the dead letters. */
  async #refusesAll(): Promise<Unavailable | null> {
    if (this.#hasTaken) return null;
    const answer = await this.#write([this.#probe]);
    if (answer.kind === 'unavailable') return answer.unavailable;
    this.#hasTaken = answer.kind === 'taken';
    if (this.#hasTaken) return null;
    return {
      why: `It refuses everything: ${answer.kind === 'refused' ? answer.why : ''}`,
      retryAfter_s: null,
    };
  }
}
