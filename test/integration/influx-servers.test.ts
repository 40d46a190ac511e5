/** What was sent beside what real servers give back, point by point. */
import { afterEach, describe, expect, test } from 'vitest';
import type { InfluxSinkConfig } from '../../config/publish.ts';
import { linesOf } from '../../daemon/publish/influx/lines.ts';
import { InfluxSink } from '../../daemon/publish/influx/sink.ts';
import type { Message } from '../../daemon/publish/messages.ts';
import { type Database, hasInfluxd, hasVictoria, startInfluxd, startVictoria } from '../support/databases.ts';
import { everyPayload, messagesOf, start_ms, summaryPayload } from '../support/publish-messages.ts';
import { influxConfig } from '../support/sink-configs.ts';
import { sinkStart } from '../support/sink-start.ts';

if (!hasVictoria) console.warn('skipped: no victoria-metrics here (apt-get install victoria-metrics)');
if (!hasInfluxd) console.warn('skipped: no influxd here (apt-get install influxdb)');

let database: Database | null = null;
afterEach(async () => {
  await database?.stop();
  database = null;
});

async function send(messages: readonly Message[], change: Partial<InfluxSinkConfig>): Promise<void> {
  const sink = new InfluxSink(influxConfig(database!.url, change), Date.now);
  sink.start(sinkStart({ node: 'n' }));
  for (let first = 0; first < messages.length; first += 200) {
    const part = messages.slice(first, first + 200);
    const delivery = await sink.deliver({ messages: part, isHistorical: false }, AbortSignal.timeout(30_000));
    expect(delivery).toEqual({ settled: part.length, rejected: [], unavailable: null });
  }
  await sink.stop();
}

/** Series and instant (ms) -> value, from line protocol as it was sent. Own reading, not the client's. */
function pointsOf(lines: readonly string[]): Map<string, number> {
  const points = new Map<string, number>();
  for (const line of lines) {
    const [, head, body, stamp] = /^((?:\\.|[^ \\])+) (.*) (\d+)$/s.exec(line)!;
    const [name, ...tags] = head.split(/(?<!\\),/).map((part) => part.replace(/\\([ ,=])/g, '$1'));
    for (const [, field, value] of body.matchAll(/([a-zA-Z0-9_]+)=("(?:\\.|[^"\\])*"|[^,]+)/gs)) {
      // This server keeps texts as 0.
      const number = value.startsWith('"') ? 0 : Number(value.replace(/i$/, ''));
      points.set(
        `${name}_${field}|${[...tags].sort().join('|')}|${Math.floor(Number(stamp) / 1000)}`,
        number,
      );
    }
  }
  return points;
}

describe.skipIf(!hasVictoria)('victoria-metrics', () => {
  /** What the server has; asked again for 20 s while it shows fewer points, for it makes them searchable some time after the flush. */
  async function exported(atLeast: number): Promise<Map<string, number>> {
    const end_ms = Date.now() + 20_000;
    for (;;) {
      const points = await exportedNow();
      if (points.size >= atLeast || Date.now() > end_ms) return points;
      await new Promise((resolve) => setTimeout(resolve, 200));
    }
  }

  async function exportedNow(): Promise<Map<string, number>> {
    await fetch(`${database!.url}/internal/force_flush`);
    const query = new URLSearchParams({ 'match[]': '{__name__=~"rig_.*"}' });
    const text = await (await fetch(`${database!.url}/api/v1/export?${query}`)).text();
    const points = new Map<string, number>();
    for (const line of text.split('\n').filter((each) => each !== '')) {
      const { metric, timestamps, values } = JSON.parse(line) as {
        metric: Record<string, string>;
        timestamps: number[];
        values: number[];
      };
      const { __name__: name, db: _, ...tags } = metric;
      const series = Object.entries(tags)
        .map(([key, value]) => `${key}=${value}`)
        .sort()
        .join('|');
      for (const [k, at_ms] of timestamps.entries()) points.set(`${name}|${series}|${at_ms}`, values[k]);
    }
    return points;
  }

  test('gives back 100 000 points of summaries as they were sent', async () => {
    database = await startVictoria();
    // 8 channels x 6 fields x 2084 s.
    const messages = messagesOf(Array.from({ length: 2084 }, (_, second) => summaryPayload(second, 8)));
    await send(messages, {});
    const sent = pointsOf(messages.flatMap(linesOf));
    const found = await exported(sent.size);
    expect(sent.size).toBeGreaterThanOrEqual(100_000);
    const differing = [...sent].filter(([key, value]) => found.get(key) !== value);
    console.info(`${sent.size} points sent, ${found.size} found, ${differing.length} differ`);
    expect(differing.slice(0, 5)).toEqual([]);
    expect(found.size).toBe(sent.size);
  });

  test('gives back messages of every kind, sent twice, as one', async () => {
    database = await startVictoria();
    const messages = messagesOf(everyPayload());
    await send(messages, {});
    await send(messages, {});
    const sent = pointsOf(messages.flatMap(linesOf));
    const found = await exported(sent.size);
    expect([...found].sort()).toEqual([...sent].sort());
  });

  // An insert node of its cluster is reached as <url>/insert/<tenant>/influx; the single server knows the last part of it.
  test.each(['v1', 'v2'] as const)('a path in the address stays, %s', async (api) => {
    database = await startVictoria();
    const messages = messagesOf(everyPayload());
    await send(messages, { api, url: `${database.url}/influx` });
    const sent = pointsOf(messages.flatMap(linesOf)).size;
    expect((await exported(sent)).size).toBe(sent);
  });
});

describe.skipIf(!hasInfluxd)('influxdb, version 1', () => {
  test('gives back what was sent, and a bad line costs itself alone', async () => {
    database = await startInfluxd();
    const query = (q: string) =>
      fetch(`${database!.url}/query?${new URLSearchParams({ db: 'rig', epoch: 'u', q })}`, {
        method: 'POST',
      });
    await query('CREATE DATABASE rig');
    const messages = messagesOf(Array.from({ length: 500 }, (_, second) => summaryPayload(second, 8)));
    await send(messages, { api: 'v1', bucket: 'rig' });
    const answer = (await (
      await query('SELECT * FROM rig_pressure GROUP BY channel ORDER BY time')
    ).json()) as {
      results: {
        series: { tags: { channel: string }; columns: string[]; values: (number | string)[][] }[];
      }[];
    };
    const found = answer.results[0].series.flatMap(({ tags, columns, values }) =>
      values.map((row) => ({
        ...Object.fromEntries(columns.map((column, k) => [column, row[k]])),
        channel: tags.channel,
      })),
    );
    const sent = messages.flatMap(({ at_ms, node, payload }) =>
      payload.kind !== 'summary'
        ? []
        : payload.channels.map((rollup) => ({
            time: at_ms * 1000,
            node,
            channel: rollup.channel,
            min_Pa: nineDigits(rollup.min),
            max_Pa: nineDigits(rollup.max),
            mean_Pa: nineDigits(rollup.mean),
            last_Pa: nineDigits(rollup.last),
            count: rollup.count,
            worst: rollup.worst === 'good' ? 0 : 1,
          })),
    );
    const order = (a: { channel: string; time?: unknown }, b: { channel: string; time?: unknown }) =>
      a.channel.localeCompare(b.channel) || Number(a.time) - Number(b.time);
    expect(found.sort(order)).toEqual(sent.sort(order));

    // Somebody else has taken a field for a text: this server then refuses the lines with it for good.
    await fetch(`${database.url}/write?db=rig&precision=u`, {
      method: 'POST',
      body: `rig_trip,node=other declared="yes" ${start_ms * 1000}`,
    });
    const sink = new InfluxSink(influxConfig(database.url, { api: 'v1', bucket: 'rig' }), Date.now);
    sink.start(sinkStart({ node: 'n' }));
    const batch = { messages: messagesOf(everyPayload()), isHistorical: true };
    const delivery = await sink.deliver(batch, AbortSignal.timeout(30_000));
    await sink.stop();
    expect(delivery).toMatchObject({ settled: batch.messages.length, unavailable: null });
    expect(delivery.rejected.map(({ seq }) => seq)).toEqual([2]);
    expect(delivery.rejected[0].why).toContain('field type conflict');
  });
});

function nineDigits(value: number | null): number {
  return Number(value?.toPrecision(9));
}
