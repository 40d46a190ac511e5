/** A receiver that is away for a long simulated time while the publisher queues, is killed again and again, and drains. */

import { type ChildProcess, fork } from 'node:child_process';
import { existsSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';
import type { SinkView } from '../../daemon/publish/sink-view.ts';
import { serverArguments, serverEnvironment } from '../../daemon/recorder/server-memory.ts';
import { wallOfId_ms } from '../../daemon/store/event-folder.ts';
import { freePort } from './databases.ts';
import { temporaryFolder } from './event-builder.ts';
import { WriteServer } from './write-server.ts';

/** What a worker is told; simulated times in s since 1970. */
export interface OutageTask {
  readonly folder: string;
  readonly url: string;
  readonly channels: number;
  readonly quota_bytes: number;
  readonly backlogRate_Hz: number;
  readonly eventEvery_s: number;
  readonly from_s: number;
  readonly outageEnd_s: number;
  readonly isLive: boolean;
  /** The how manieth worker this is: its values carry it, so that a second that was made again is no repeated message. */
  readonly life: number;
}

export type OutageReport =
  | { readonly kind: 'progress'; readonly at_s: number; readonly rss_bytes: number; readonly view: SinkView }
  | { readonly kind: 'trouble'; readonly key: string; readonly what: string }
  | { readonly kind: 'live'; readonly real_ms: number; readonly from_s: number }
  | { readonly kind: 'done' };

export interface OutagePlan {
  readonly outage_s: number;
  readonly channels: number;
  readonly eventEvery_s: number;
  readonly backlogRate_Hz: number;
  /** Kills while the receiver is away, and while the backlog drains. */
  readonly kills: number;
  readonly drainKills: number;
}

export interface OutageFigures {
  readonly secondsExpected: number;
  readonly secondsMissing: number;
  /** Seconds that came more than once; those that a killed worker had made are made again by the next. */
  readonly secondsRepeated: number;
  /** Messages that came more than once, to the last digit; only one batch of each kill while the backlog drains may. */
  readonly messagesRepeated: number;
  readonly eventsExpected: number;
  readonly eventsMissing: number;
  readonly eventsRepeated: number;
  /** Seconds that came after a later one of their lane. */
  readonly outOfOrder: number;
  readonly kills: number;
  /** End of a second to its arrival, while the backlog drains. */
  readonly liveDelay_s: { readonly median: number; readonly worst: number; readonly count: number };
  /** Resident size of the worker after the first tenth of the outage, at its end and at the end of the drain. */
  readonly rss_MB: readonly [number, number, number];
  /** The same of the last worker after the first tenth of its drain, at most, and at the end. */
  readonly drainRss_MB: readonly [number, number, number];
  readonly outbox_MB: number;
  readonly queue_s: number;
  readonly drain_s: number;
  readonly troubles: readonly string[];
}

const begin_s = Date.UTC(2026, 2, 1) / 1000;
/** A worker whose heap grows with what waits would not live: days of messages are several times as much. */
const heap_MB = 80;
const worker = new URL('./outage-worker.ts', import.meta.url).pathname;

export async function runOutage(
  plan: OutagePlan,
  random: () => number = Math.random,
): Promise<OutageFigures> {
  const folder = temporaryFolder();
  const port = await freePort();
  const run = new OutageRun(plan, folder.path, port, random);
  try {
    return await run.all();
  } finally {
    await run.end();
    folder.remove();
  }
}

class OutageRun {
  readonly #plan: OutagePlan;
  readonly #folder: string;
  readonly #port: number;
  readonly #random: () => number;
  readonly #server = new WriteServer();
  readonly #troubles = new Set<string>();
  readonly #rss: { readonly at_s: number; readonly bytes: number }[] = [];
  /** Of this worker, since it drains. */
  #drainRss_bytes: number[] = [];
  readonly #seconds = new Map<number, number>();
  readonly #events = new Map<string, number>();
  readonly #messages = new Map<string, number>();
  #lives = 0;
  readonly #delays_s: number[] = [];
  /** Newest seconds of the two lanes that this worker has sent. */
  #newest = { backlog: 0, fresh: 0 };
  #outOfOrder = 0;
  /** When this worker's first line came, in simulated s. */
  #reached_s: number | null = null;
  #child: ChildProcess | null = null;
  #at_s = begin_s;
  #waiting = 1;
  #live: { readonly real_ms: number; readonly from_s: number } | null = null;
  #kills = 0;

  constructor(plan: OutagePlan, folder: string, port: number, random: () => number) {
    this.#plan = plan;
    this.#folder = folder;
    this.#port = port;
    this.#random = random;
    this.#server.behaviour = ({ lines }, response) => {
      this.#take(lines);
      this.#server.requests.length = 0;
      response.writeHead(204).end();
    };
  }

  async all(): Promise<OutageFigures> {
    const { outage_s, kills, drainKills } = this.#plan;
    const end_s = begin_s + outage_s;
    const started_ms = Date.now();
    const points = Array.from({ length: kills }, () => begin_s + Math.floor(this.#random() * outage_s));
    for (const kill_s of points.sort((a, b) => a - b)) {
      this.#start(end_s, false);
      await this.#until(() => this.#at_s >= kill_s);
      await this.#kill();
    }
    this.#start(end_s, true);
    await this.#until(() => this.#live !== null);
    const queued_ms = Date.now();
    const outbox_MB = statSync(join(this.#folder, 'outbox.db')).size / 1e6;
    await this.#until(() => Number.isFinite(this.#waiting));
    const waiting = this.#waiting;
    await this.#server.listen(this.#port);
    for (let kill = 1; kill <= drainKills; kill++) {
      await this.#until(() => this.#waiting < waiting * (1 - kill / (drainKills + 1)));
      await this.#kill();
      this.#start(this.#at_s + 1, true);
      await this.#until(() => this.#live !== null);
    }
    await this.#until(() => this.#waiting <= 2);
    const drained_ms = Date.now();
    // Some seconds more, so that what was made meanwhile has come, too.
    const last_s = this.#at_s;
    await this.#until(() => this.#at_s > last_s + 4 && this.#waiting <= 2);
    return this.#figures(last_s, outbox_MB, (queued_ms - started_ms) / 1000, (drained_ms - queued_ms) / 1000);
  }

  async end(): Promise<void> {
    await this.#kill();
    await this.#server.close();
  }

  #start(outageEnd_s: number, isLive: boolean): void {
    const { backlogRate_Hz, channels, eventEvery_s } = this.#plan;
    const url = `http://127.0.0.1:${this.#port}`;
    const shared = { folder: this.#folder, url, channels, quota_bytes: 1e9, backlogRate_Hz, eventEvery_s };
    const life = this.#lives++;
    const task: OutageTask = { ...shared, from_s: this.#at_s, outageEnd_s, isLive, life };
    this.#live = null;
    this.#waiting = Number.POSITIVE_INFINITY;
    this.#newest = { backlog: 0, fresh: 0 };
    this.#reached_s = null;
    const child = fork(worker, [JSON.stringify(task)], {
      stdio: 'inherit',
      execArgv: [...serverArguments, `--max-old-space-size=${heap_MB}`],
      env: serverEnvironment(process.env),
    });
    this.#child = child;
    this.#drainRss_bytes = [];
    child.on('message', (report: OutageReport) => {
      if (this.#child === child) this.#hear(report);
    });
  }

  #hear(report: OutageReport): void {
    if (report.kind === 'trouble') this.#troubles.add(`${report.key}: ${report.what}`);
    else if (report.kind === 'live') this.#live = report;
    else if (report.kind === 'progress') {
      // A restart goes on where the last report was: what came after it is made again, as after a real loss.
      this.#at_s = Math.max(this.#at_s, report.at_s);
      this.#waiting = report.view.waiting;
      if (this.#live !== null) this.#drainRss_bytes.push(report.rss_bytes);
      this.#rss.push({ at_s: report.at_s, bytes: report.rss_bytes });
    }
  }

  async #kill(): Promise<void> {
    const child = this.#child;
    if (child === null) return;
    this.#kills++;
    this.#child = null;
    const gone = new Promise<void>((resolve) => child.once('exit', () => resolve()));
    if (child.exitCode === null) child.kill('SIGKILL');
    await gone;
  }

  async #until(condition: () => boolean): Promise<void> {
    while (!condition()) {
      if (this.#child?.exitCode != null) throw new Error(`the worker ended with ${this.#child.exitCode}`);
      await new Promise((resolve) => setTimeout(resolve, 5));
    }
  }

  #take(lines: readonly string[]): void {
    const now_ms = performance.timeOrigin + performance.now();
    for (const line of lines) {
      const at_s = Number(line.slice(line.lastIndexOf(' ') + 1)) / 1e6;
      if (line.startsWith('rig_event')) {
        const event = /event="([^"]+)"/.exec(line)![1]!;
        this.#events.set(event, (this.#events.get(event) ?? 0) + 1);
      } else if (line.startsWith('rig_pressure,channel=PT-101,')) {
        this.#messages.set(line, (this.#messages.get(line) ?? 0) + 1);
        const times = this.#seconds.get(at_s) ?? 0;
        this.#seconds.set(at_s, times + 1);
        // A restart makes the last seconds once more: only the first coming of each has an order.
        if (times === 0) this.#order(at_s, now_ms);
      }
    }
  }

  /** What arrives must be two ascending rows laid into one another: the fresh lane and the backlog. */
  #order(at_s: number, now_ms: number): void {
    const newest = this.#newest;
    if (at_s >= newest.fresh) newest.fresh = at_s;
    else if (at_s >= newest.backlog) newest.backlog = at_s;
    else this.#outOfOrder++;
    const live = this.#live;
    if (live === null) return;
    const now_s = live.from_s + (now_ms - live.real_ms) / 1000;
    this.#reached_s ??= now_s;
    // Seconds of before the receiver was reached have waited for it, not for the backlog.
    if (at_s >= this.#reached_s) this.#delays_s.push(now_s - (at_s + 1));
  }

  #figures(last_s: number, outbox_MB: number, queue_s: number, drain_s: number): OutageFigures {
    const { outage_s } = this.#plan;
    let missing = 0;
    // Between two lives of the worker nobody measured: seconds are expected for the outage alone.
    for (let at_s = begin_s; at_s < begin_s + outage_s - 1; at_s++) if (!this.#seconds.has(at_s)) missing++;
    const index = join(this.#folder, 'index.txt');
    const ids = existsSync(index)
      ? readFileSync(index, 'utf8')
          .split('\n')
          .filter((id) => id !== '')
      : [];
    const due = ids.filter((id) => wallOfId_ms(id) / 1000 < last_s);
    const delays = [...this.#delays_s].sort((a, b) => a - b);
    const drain = this.#drainRss_bytes.map((size) => size / 1e6);
    const rssAt = (at_s: number) =>
      (this.#rss.find((each) => each.at_s >= at_s) ?? this.#rss.at(-1)!).bytes / 1e6;
    const repeats = (counts: Iterable<number>) => [...counts].reduce((sum, count) => sum + count - 1, 0);
    return {
      secondsExpected: outage_s - 1,
      secondsMissing: missing,
      secondsRepeated: repeats(this.#seconds.values()),
      messagesRepeated: repeats(this.#messages.values()),
      eventsExpected: due.length,
      eventsMissing: due.filter((id) => !this.#events.has(id)).length,
      eventsRepeated: repeats(this.#events.values()),
      outOfOrder: this.#outOfOrder,
      kills: this.#kills,
      liveDelay_s: {
        median: delays[delays.length >> 1] ?? Number.NaN,
        worst: delays.at(-1) ?? Number.NaN,
        count: delays.length,
      },
      rss_MB: [
        rssAt(begin_s + outage_s * 0.1),
        rssAt(begin_s + outage_s - 101),
        this.#rss.at(-1)!.bytes / 1e6,
      ],
      drainRss_MB: [drain[Math.ceil(drain.length / 10)]!, Math.max(...drain), drain.at(-1)!],
      outbox_MB,
      queue_s,
      drain_s,
      troubles: [...this.#troubles],
    };
  }
}
