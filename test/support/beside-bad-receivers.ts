/** A recorder with a good receiver and bad ones: neither the recorder nor the good one must notice. */

import { setTimeout as delay } from 'node:timers/promises';
import { expect, vi } from 'vitest';
import type { SinkConfig } from '../../config/publish.ts';
import type { SinkView } from '../../daemon/publish/sink-view.ts';
import { type Recorder, startRecorder } from '../../daemon/recorder/recorder.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';
import { influxConfig } from './sink-configs.ts';
import { feedInterval_s, TripFeed } from './trip-feed.ts';
import { WriteServer } from './write-server.ts';

const serverModule = new URL('../../daemon/server/main.ts', import.meta.url).pathname;

/** A receiver and what its sink must say of it; null: it may say anything. */
export interface BadReceiver {
  readonly sink: SinkConfig;
  readonly says: RegExp | null;
}

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

  const late_ms = await inStep(feed);
  feed.push(3);
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
  late_ms.sort((a, b) => a - b);
  const at = (share: number) => late_ms[Math.floor(share * (late_ms.length - 1))]!.toFixed(2);
  console.info(
    `${title}: recorder late p50 ${at(0.5)} p99 ${at(0.99)} max ${at(1)} ms; summaries dropped ${counters['summariesDropped']}`,
  );
}

/** Two seconds in step with the clock, on a grid of 10 ms: how late each step was, in ms. */
async function inStep(feed: TripFeed): Promise<number[]> {
  const late_ms: number[] = [];
  const begin_ms = performance.now();
  for (let k = 1; k <= 200; k++) {
    const wait_ms = begin_ms + k * 10 - performance.now();
    if (wait_ms > 0) await delay(wait_ms);
    late_ms.push(performance.now() - begin_ms - k * 10);
    if (k % 5 === 0) feed.push(0.05);
  }
  return late_ms;
}
