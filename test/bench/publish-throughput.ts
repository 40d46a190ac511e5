/**
 * The outbox and its sink beside the client library with its own buffering as it comes, in one run: lines per second with the
 * server there, and lines kept when it is away while they are written.
 */
import { InfluxDB, setLogger } from '@influxdata/influxdb-client';
import { publishKinds } from '../../config/publish.ts';
import { machineClock } from '../../daemon/publish/clock.ts';
import { linesOf } from '../../daemon/publish/influx/lines.ts';
import { InfluxSink } from '../../daemon/publish/influx/sink.ts';
import { Outbox } from '../../daemon/publish/outbox.ts';
import { SinkTask } from '../../daemon/publish/sink-task.ts';
import { freePort } from '../support/databases.ts';
import { temporaryFolder } from '../support/event-builder.ts';
import { messagesOf, summaryPayload } from '../support/publish-messages.ts';
import { influxConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';
import { WriteServer } from '../support/write-server.ts';
import type { BenchRow } from './row.ts';

const seconds = 12_500;
const channels = 8;
const lines = seconds * channels;
/** Messages written at a time; the recorder brings one a second. */
const atOnce = 50;
/** So long the server stays away after the last line was written, in ms. */
const away_ms = 1500;

export async function bench(report: (row: BenchRow) => void): Promise<void> {
  // The client writes its failures to the console, thousands of them here.
  setLogger({ error: () => undefined, warn: () => undefined });
  const up = { ours: await ours(true), client: await client(true) };
  const down = { ours: await ours(false), client: await client(false) };
  const share = up.ours.perSecond / up.client.perSecond;
  report({
    name: 'publish: lines per second with the server there, beside the client buffering by itself',
    figure: share,
    unit: 'ratio',
    target: '>= 0.2',
    meets: share >= 0.2 && up.ours.kept === 1,
    note: `${up.ours.perSecond.toFixed(0)} lines/s through the disk, ${up.client.perSecond.toFixed(0)} without; kept ${pct(up.ours.kept)} and ${pct(up.client.kept)} of ${lines}`,
  });
  report({
    name: 'publish: lines kept when the server is away while they are written',
    figure: down.ours.kept,
    unit: 'ratio',
    target: '>= 1',
    meets: down.ours.kept === 1,
    note: `client buffering by itself: ${pct(down.client.kept)}; afterwards ${down.ours.perSecond.toFixed(0)} lines/s drained`,
  });
}

interface Outcome {
  readonly kept: number;
  readonly perSecond: number;
}

function pct(share: number): string {
  return `${(100 * share).toFixed(1)} %`;
}

/** A server that counts different lines, and where it will be. */
async function counter(): Promise<{ server: WriteServer; port: number; seen: Set<string> }> {
  const server = new WriteServer();
  const seen = new Set<string>();
  server.behaviour = (request, response) => {
    for (const line of request.lines) seen.add(line);
    server.requests.length = 0;
    response.writeHead(204).end();
  };
  return { server, port: await freePort(), seen };
}

async function ours(isUp: boolean): Promise<Outcome> {
  const { server, port, seen } = await counter();
  const folder = temporaryFolder();
  const outbox = new Outbox({
    dataFolder: folder.path,
    node: 'n',
    boot: 'b',
    quota_bytes: 1e9,
    sinks: [{ name: 'a', send: publishKinds }],
    alreadyThere: () => [],
    wallNow_ms: Date.now,
  });
  const url = `http://127.0.0.1:${port}`;
  const task = new SinkTask({
    name: 'a',
    kind: 'influx',
    sink: new InfluxSink(influxConfig(url), Date.now),
    queue: outbox.queue('a'),
    agedSeq: () => 0,
    backlogRate_Hz: 1e6,
    clock: machineClock,
    random: Math.random,
  });
  if (isUp) await server.listen(port);
  let begin_ms = performance.now();
  task.start(sinkStart({ node: 'n' }));
  for (let second = 0; second < seconds; second += atOnce) {
    const drafts = Array.from({ length: atOnce }, (_, k) => ({
      at_ms: (second + k) * 1000,
      payload: summaryPayload(second + k, channels),
    }));
    outbox.put(drafts);
    task.notify();
    await new Promise(setImmediate);
  }
  if (!isUp) {
    await new Promise((resolve) => setTimeout(resolve, away_ms));
    await server.listen(port);
    await until(() => seen.size > 0);
    begin_ms = performance.now();
  }
  await until(() => outbox.queue('a').waiting === 0);
  const took_s = (performance.now() - begin_ms) / 1000;
  await task.stop();
  outbox.close();
  await server.close();
  folder.remove();
  return { kept: seen.size / lines, perSecond: seen.size / took_s };
}

async function client(isUp: boolean): Promise<Outcome> {
  const { server, port, seen } = await counter();
  if (isUp) await server.listen(port);
  const api = new InfluxDB({ url: `http://127.0.0.1:${port}` }).getWriteApi('o', 'b', 'us');
  const begin_ms = performance.now();
  for (let second = 0; second < seconds; second += atOnce) {
    const payloads = Array.from({ length: atOnce }, (_, k) => summaryPayload(second + k, channels));
    const messages = messagesOf(payloads).map((message, k) => ({ ...message, at_ms: (second + k) * 1000 }));
    api.writeRecords(messages.flatMap(linesOf));
    await new Promise(setImmediate);
  }
  if (!isUp) {
    await new Promise((resolve) => setTimeout(resolve, away_ms));
    await server.listen(port);
  }
  // Sends all that it still has, its retry buffer too.
  await api.flush(true).catch(() => undefined);
  await api.close().catch(() => undefined);
  const took_s = (performance.now() - begin_ms) / 1000;
  // Its flush waits for the last batch only: what is still under way is counted, too.
  for (let before = -1; before < seen.size; ) {
    before = seen.size;
    await new Promise((resolve) => setTimeout(resolve, 500));
  }
  await server.close();
  return { kept: seen.size / lines, perSecond: seen.size / took_s };
}

/** Gives up after a minute. */
async function until(condition: () => boolean): Promise<void> {
  for (const begin_ms = performance.now(); !condition(); ) {
    if (performance.now() - begin_ms > 60_000) throw new Error('no end within a minute');
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
}
