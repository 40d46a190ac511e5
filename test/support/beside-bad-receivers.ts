/** A recorder with a good receiver and bad ones: neither the recorder nor the good one may be the worse for it. */

import { setTimeout as delay } from 'node:timers/promises';
import { expect, vi } from 'vitest';
import type { SinkConfig } from '../../config/publish.ts';
import type { SinkView } from '../../daemon/publish/sink-view.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';
import { influxConfig } from './sink-configs.ts';
import { IdleProcess, shareOf, stepLateness_ms } from './step-lateness.ts';
import { feedInterval_s, TripFeed } from './trip-feed.ts';
import { WriteServer } from './write-server.ts';

const serverModule = new URL('../../daemon/server/main.ts', import.meta.url).pathname;

/** A receiver and what its sink must say of it; null: it may say anything. */
export interface BadReceiver {
  readonly sink: SinkConfig;
  readonly says: RegExp | null;
}

/** The recorder's steps may be so many times as late as those of an idle process beside it; where that is hardly late, than so many ms. */
const mostLateness = 5;
const leastLateness_ms = 1;

/** Runs a trip; prints how late the recorder was. `ends` are called by the test, last first. */
export async function besideBadReceivers(
  title: string,
  dataFolder: string,
  bad: readonly BadReceiver[],
  ends: (() => Promise<void>)[],
): Promise<void> {
  const good = new WriteServer();
  ends.push(() => good.close());
  const sinks = [
    influxConfig(await good.listen(), { name: 'good', timeout_s: 2 }),
    ...bad.map(({ sink }) => sink),
  ];
  const driver = new PushedDriver(feedInterval_s);
  const config = {
    ...recorderRig({ dataFolder }),
    lines: [pushedLine],
    server: { host: '127.0.0.1', port: 0 },
    publish: { node: 'marrowfen-1', quota_bytes: 1e8, backlogRate_Hz: 200, sinks },
  };
  const recorder: Recorder = await startRecorder(config, {
    serverModule,
    createDriver: () => driver,
    log: silentLog(),
  });
  ends.push(() => recorder.stop());
  let port = 0;
  let closed = '';
  recorder.on('ready', (ready) => {
    port = ready.port;
  });
  recorder.on('event-closed', ({ event }) => {
    closed = event;
  });
  const feed = new TripFeed(driver);
  await vi.waitFor(() => expect(port).toBeGreaterThan(0), 90_000);

  const idle = await IdleProcess.start();
  const [late_ms, idle_ms] = await Promise.all([
    stepLateness_ms((k) => {
      if (k % 5 === 0) feed.push(0.05);
    }),
    idle.stepLateness_ms(),
  ]);
  // Faster than in life, but not so fast that summaries are dropped.
  for (let k = 0; k < 60; k++) {
    feed.push(0.05);
    await delay(20);
  }
  await vi.waitFor(() => expect(closed).not.toBe(''), 20_000);
  const has = (start: string, text = '') =>
    good.lines.some((line) => line.startsWith(start) && line.includes(text));
  await vi.waitFor(() => expect(has('rig_event', closed)).toBe(true), 20_000);
  expect([has('rig_pressure,'), has('rig_metric,')]).toEqual([true, true]);
  const { counters } = recorder.status();
  expect(counters).toMatchObject({ serverExits: 0, serverStarts: 1 });

  const view = async (name: string) => {
    const answer = await fetch(`http://127.0.0.1:${port}/api/sinks`);
    return ((await answer.json()) as { sinks: SinkView[] }).sinks.find((each) => each.name === name)!;
  };
  for (const { says, sink } of bad) {
    if (says !== null)
      await vi.waitFor(async () => expect((await view(sink.name)).why, sink.name).toMatch(says), 20_000);
    // Nothing of it is lost: it waits.
    const { counters: of, waiting } = await view(sink.name);
    expect(of, sink.name).toMatchObject({ messagesRejected: 0, messagesShed: 0 });
    expect(waiting + of['messagesDelivered']!, sink.name).toBeGreaterThan(0);
  }
  if (bad.length > 0) expect(await view('good')).toMatchObject({ state: 'up', why: '' });
  expectOrderAndCounts(good.lines, closed, counters['summariesDropped']!);
  const at = (share: number) =>
    `${shareOf(late_ms, share).toFixed(2)} (${shareOf(idle_ms, share).toFixed(2)})`;
  console.info(
    `${title}: recorder late (idle process) p50 ${at(0.5)} p90 ${at(0.9)} max ${at(1)} ms; summaries dropped ${counters['summariesDropped']}`,
  );
  for (const share of [0.5, 0.9]) {
    const most_ms = mostLateness * Math.max(leastLateness_ms, shareOf(idle_ms, share));
    expect(shareOf(late_ms, share), `${title}: lateness, share ${share}`).toBeLessThan(most_ms);
  }
}

/** Each series of the good receiver rises in time, nothing comes twice, and a second is missing only where its 20 summaries were dropped. */
function expectOrderAndCounts(lines: readonly string[], event: string, dropped: number): void {
  expect(lines.filter((line) => line.startsWith('rig_event') && line.includes(event))).toHaveLength(1);
  const series = Map.groupBy(
    lines.filter((line) => line.startsWith('rig_pressure,')),
    (line) => line.slice(0, line.indexOf(' ')),
  );
  expect(series.size).toBeGreaterThan(0);
  for (const [name, own] of series) {
    const times_s = own.map((line) => Number(line.slice(line.lastIndexOf(' ') + 1)) / 1e6);
    expect(times_s, name).toEqual([...new Set(times_s)].sort((a, b) => a - b));
    const missing = times_s.at(-1)! - times_s[0]! - (times_s.length - 1);
    expect(missing, name).toBeLessThanOrEqual(Math.floor(dropped / 20));
  }
}
