/** The independent receiver: hears every topic of the broker and counts, in a process of its own. */
import { setTimeout as delay } from 'node:timers/promises';
import { connectAsync } from 'mqtt';

/** Nothing more comes when nothing came for so long, in ms. */
const quiet_ms = 500;

export interface CounterNode {
  readonly node: string;
  readonly messages: number;
  readonly repeats: number;
  /** Starts of the seconds that were heard, in ms since 1970, and the mean of the first channel in each, in Pa. */
  readonly seconds: readonly number[];
  readonly means_Pa: readonly number[];
  readonly events: readonly string[];
  readonly verdicts: readonly string[];
  readonly outOfOrder: number;
}

export interface CounterReport {
  readonly nodes: readonly CounterNode[];
  readonly body_bytes: number;
  readonly messages: number;
  readonly historical: number;
  /** Of a second that did not wait, by what part of messages came so late after its end, in s. */
  readonly delay_s: { readonly median: number; readonly p99: number; readonly worst: number };
  readonly byKind: Readonly<Record<string, { readonly messages: number; readonly bytes: number }>>;
  readonly cpu_s: number;
}

interface Body {
  readonly node: string;
  readonly boot: string;
  readonly seq: number;
  readonly ts: string;
  readonly historical: boolean;
  readonly kind: string;
  readonly event?: string;
  readonly channels?: readonly { readonly mean: number }[];
}

class NodeCount {
  readonly seqs = new Set<number>();
  readonly means_Pa = new Map<number, number>();
  readonly events = new Set<string>();
  readonly verdicts = new Set<string>();
  repeats = 0;
  outOfOrder = 0;
  last = { fresh: 0, historical: 0 };
}

const nodes = new Map<string, NodeCount>();
const delays_s: number[] = [];
const byKind: Record<string, { messages: number; bytes: number }> = {};
let body_bytes = 0;
let messages = 0;
let historical = 0;
let heardAt_ms = Date.now();

const client = await connectAsync(
  process.argv[2]!,
  { protocolVersion: 4, reconnectPeriod: 0, keepalive: 600 },
  false,
);
client.on('message', (topic, bytes) => {
  if (topic.endsWith('/status')) return;
  heardAt_ms = Date.now();
  const body: Body = JSON.parse(bytes.toString());
  messages++;
  body_bytes += bytes.length;
  const kind = byKind[body.kind] ?? { messages: 0, bytes: 0 };
  byKind[body.kind] = kind;
  kind.messages++;
  kind.bytes += bytes.length;
  const count = nodes.get(body.node) ?? new NodeCount();
  nodes.set(body.node, count);
  if (count.seqs.has(body.seq)) {
    count.repeats++;
    return;
  }
  count.seqs.add(body.seq);
  const lane = body.historical ? 'historical' : 'fresh';
  if (body.seq < count.last[lane]) count.outOfOrder++;
  count.last[lane] = body.seq;
  if (body.historical) historical++;
  if (body.kind === 'event') count.events.add(body.event!);
  if (body.kind === 'verdict') count.verdicts.add(body.event!);
  if (body.kind === 'summary') {
    const start_ms = Date.parse(body.ts);
    count.means_Pa.set(start_ms, body.channels![0]!.mean);
    if (!body.historical) delays_s.push((heardAt_ms - start_ms) / 1000 - 1);
  }
});
await client.subscribeAsync('tripwave/#', { qos: 1 });
process.send!('listening');
process.on('message', async () => {
  // What the broker still has for this receiver is not lost.
  while (Date.now() - heardAt_ms < quiet_ms) await delay(quiet_ms / 5);
  const { system, user } = process.cpuUsage();
  const sorted = Float64Array.from(delays_s).sort();
  const at = (ratio: number) =>
    sorted[Math.min(sorted.length - 1, Math.floor(ratio * sorted.length))] ?? Number.NaN;
  const report: CounterReport = {
    nodes: [...nodes].map(([node, { events, means_Pa, outOfOrder, repeats, seqs, verdicts }]) => ({
      node,
      messages: seqs.size,
      repeats,
      seconds: [...means_Pa.keys()],
      means_Pa: [...means_Pa.values()],
      events: [...events],
      verdicts: [...verdicts],
      outOfOrder,
    })),
    body_bytes,
    messages,
    historical,
    delay_s: { median: at(0.5), p99: at(0.99), worst: at(1) },
    byKind,
    cpu_s: (system + user) / 1e6,
  };
  process.send!(report);
});
