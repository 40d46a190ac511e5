/**
 * The publishing half of a server process, fed with made-up summaries and events: first as fast as it goes on a clock of its
 * own, then in step with the real one. Killed and started again by outage.ts.
 */

import { appendFileSync, existsSync, readFileSync } from 'node:fs';
import { flushCompileCache } from 'node:module';
import { join } from 'node:path';
import { setTimeout as delay, setImmediate as turn } from 'node:timers/promises';
import type { RigConfig } from '../../config/rig.ts';
import { createSink } from '../../daemon/publish/create-sink.ts';
import { Publisher } from '../../daemon/publish/publisher.ts';
import type { TaskClock } from '../../daemon/publish/sink-task.ts';
import type { EventRow } from '../../daemon/store/event-index.ts';
import type { OutageReport, OutageTask } from './outage.ts';
import { OutageRig } from './outage-rig.ts';
import { influxConfig } from './sink-configs.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

const task = JSON.parse(process.argv[2]!) as OutageTask;
const tell = (report: OutageReport) => process.send?.(report);

/** Simulated time that is moved by hand, or follows the real one. */
class OutageClock implements TaskClock {
  #now_s: number;
  #live: { readonly real_ms: number; readonly from_s: number } | null = null;
  #waiters: { readonly until_s: number; readonly done: () => void }[] = [];

  constructor(now_s: number) {
    this.#now_s = now_s;
  }

  now_s(): number {
    if (this.#live === null) return this.#now_s;
    return this.#live.from_s + (performance.timeOrigin + performance.now() - this.#live.real_ms) / 1000;
  }

  wallNow_ms(): number {
    return this.now_s() * 1000;
  }

  async sleep(time_s: number, signal: AbortSignal): Promise<void> {
    if (this.#live !== null) {
      await delay(Math.min(1e8, time_s * 1000), undefined, { signal }).catch(() => undefined);
      return;
    }
    await new Promise<void>((resolve) => {
      signal.addEventListener('abort', () => resolve(), { once: true });
      this.#waiters.push({ until_s: this.#now_s + time_s, done: resolve });
    });
  }

  move(to_s: number): void {
    this.#now_s = to_s;
    for (const { done, until_s } of this.#waiters) if (until_s <= to_s) done();
    this.#waiters = this.#waiters.filter(({ until_s }) => until_s > to_s);
  }

  follow(): void {
    this.#live = { real_ms: performance.timeOrigin + performance.now(), from_s: this.#now_s };
    for (const { done } of this.#waiters) done();
    this.#waiters = [];
    tell({ kind: 'live', ...this.#live });
  }
}

const rig = new OutageRig(task.channels, task.life);
const clock = new OutageClock(task.from_s);

/** The index of events as a list of ids; an event is in it before it is published, as in the real server. */
const indexFile = join(task.folder, 'index.txt');
const ids = existsSync(indexFile)
  ? readFileSync(indexFile, 'utf8')
      .split('\n')
      .filter((id) => id !== '')
  : [];

function eventsBefore(before: string | null, limit: number): readonly EventRow[] {
  const end = before === null ? ids.length : ids.indexOf(before);
  return ids
    .slice(Math.max(0, end - limit), end)
    .reverse()
    .map((id) => rig.row(id));
}

const publisher = new Publisher({
  publish: {
    node: 'marrowfen-1',
    quota_bytes: task.quota_bytes,
    backlogRate_Hz: task.backlogRate_Hz,
    sinks: [influxConfig(task.url, { name: 'history' })],
  },
  hello: {
    kind: 'hello',
    config: { dataFolder: task.folder, channels: rig.channels } as unknown as RigConfig,
    software: 'test',
    boot: String(process.pid),
    anchor: { time_s: 0, wall_ms: 0 },
  },
  events: eventsBefore,
  createSink,
  clock,
  random: Math.random,
  trouble: (key, text) => {
    if (text !== null) tell({ kind: 'trouble', key, what: text.what });
  },
  log: () => undefined,
});
publisher.start();
publisher.catchUp();

function second(from_s: number): void {
  const id = rig.eventIn(from_s, task.eventEvery_s);
  if (id === null || ids.includes(id)) return;
  appendFileSync(indexFile, `${id}\n`);
  ids.push(id);
  publisher.event({ row: rig.row(id), trouble: null });
}

function report(): void {
  const [view] = publisher.views();
  tell({
    kind: 'progress',
    at_s: Math.floor(clock.now_s()) - 1,
    rss_bytes: process.memoryUsage.rss(),
    view: view!,
  });
}

for (let at_s = task.from_s; at_s < task.outageEnd_s; at_s++) {
  for (let k = 0; k < 20; k++) {
    clock.move(at_s + (k + 1) / 20);
    publisher.summary(rig.summary(at_s, k));
  }
  second(at_s);
  if (at_s % 30 === 0) await turn();
  if (at_s % 100 === 0) report();
}
report();
if (task.isLive) {
  clock.follow();
  const begin_s = Math.ceil(clock.now_s());
  for (let k = 0; ; k++) {
    const end_s = begin_s + (k + 1) / 20;
    const wait_s = end_s - clock.now_s();
    if (wait_s > 0) await delay(wait_s * 1000);
    publisher.summary(rig.summary(begin_s + Math.floor(k / 20), k % 20));
    if (k % 20 === 19) second(begin_s + Math.floor(k / 20));
    if (k % 10 === 0) report();
  }
}
process.send?.({ kind: 'done' } satisfies OutageReport);
// The parent decides when this ends.
setInterval(() => undefined, 1000);
