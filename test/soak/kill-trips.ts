/** Kills recorder, server or both within seconds of every trip of a rig that goes on, and audits every trip. */
import { mkdirSync, readdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { ringFolder } from '../../daemon/store/ring-format.ts';
import { readTrips, tripLedgerPath } from '../../daemon/store/trip-ledger.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { auditEvents } from './event-audit.ts';
import { trippingLine } from './kill-config.ts';
import { LeftOvers } from './kill-leftovers.ts';
import type { FromKilled, ToKilled } from './kill-recorder.ts';
import { auditTrips, type Life, type TripAudit } from './kill-trip-audit.ts';
import type { FromTrippingRig } from './kill-trip-rig.ts';
import { childrenOf, residentMemory_MB } from './memory.ts';
import { Worker } from './processes.ts';

export type TripVictim = 'recorder' | 'server' | 'both';

export interface TripKillOptions {
  readonly seed: number;
  /** Holds the data and the log; must be empty. */
  readonly folder: string;
  /** Kills; each belongs to a trip of its own. Trips that come while a recorder starts are audited as well. */
  readonly trips: number;
  /** Drawn from for each trip. */
  readonly victims: readonly TripVictim[];
  /** The kill comes so long after the stop of the pump, at least and at most, in s. */
  readonly after_s: readonly [number, number];
  /** A defect that the audit must find: neither declaration nor ring outlives its recorder. */
  readonly isForgetful?: boolean;
}

export interface TripKillResult extends TripAudit {
  readonly victim: 'trips';
  readonly seed: number;
  readonly kills: Readonly<Record<TripVictim, number>>;
  /** Kills of a server that was not back yet. */
  readonly serverAway: number;
  readonly eventsWhole: number;
  readonly isIndexRight: boolean;
  /** From a declaration to the medium, over all trips, in ms. */
  readonly onRecord_ms: { readonly median: number; readonly p99: number; readonly most: number };
  /** From a kill to the first block of the next recorder, in s. */
  readonly away_s: { readonly median: number; readonly most: number };
}

/** A server that was killed is waited for so long, in s. */
const server_s = 2;
const look_ms = 20;
/** A stop is told so late at most, in s. */
const late_s = 0.2;
/** A first recorder knows the pump so long after its first block, in ms. */
const ready_ms = 1000;
/** What is owed after the last kill is written within this, in s. */
const patience_s = 90;
/** The rig goes on so long after the last kill, in s: the event that is open closes. */
const after_s = 4;

export async function killAtTrips(options: TripKillOptions): Promise<TripKillResult> {
  mkdirSync(options.folder, { recursive: true });
  const killing = new TripKilling(options);
  try {
    await killing.run();
    await killing.settle();
  } finally {
    await killing.end();
  }
  return killing.result();
}

class TripKilling {
  readonly #options: TripKillOptions;
  readonly #data: string;
  readonly #random: Random;
  readonly #leftOvers: LeftOvers;
  readonly #stops_s: number[] = [];
  readonly #declared = new Map<string, { source: string; time_s: number }>();
  readonly #acknowledged = new Set<string>();
  readonly #onRecord_ms: number[] = [];
  readonly #lives: Life[] = [];
  readonly #kills: Record<TripVictim, number> = { recorder: 0, server: 0, both: 0 };
  readonly #failures: string[] = [];
  #serverAway = 0;
  #onStop: (() => void) | null = null;
  #recorder: Worker<ToKilled, FromKilled> | null = null;
  #rig: Worker<never, FromTrippingRig> | null = null;

  constructor(options: TripKillOptions) {
    this.#options = options;
    this.#data = join(options.folder, 'data');
    this.#random = new Random(options.seed, 'trips');
    this.#leftOvers = new LeftOvers(this.#data);
  }

  async run(): Promise<void> {
    const { trips, victims, after_s: span } = this.#options;
    await this.#startRig();
    await this.#startRecorder();
    // What happened before there was any recorder is nobody's to know.
    while (this.#lives[0]?.first_s === null) await delay(look_ms);
    await delay(ready_ms);
    this.#stops_s.length = 0;
    let trip = -1;
    for (let kill = 0; kill < trips; kill++) {
      const kill_s = this.#random.between(...span);
      trip = await this.#stop(trip + 1, kill_s);
      await delay(Math.max(0, 1000 * (this.#stops_s[trip]! + kill_s - monotonic_s())));
      const victim = victims[Math.floor(this.#random.between(0, victims.length))] ?? 'recorder';
      this.#kills[victim]++;
      if (victim !== 'server') await this.#killRecorder(victim === 'both');
      else if (!(await this.#killServer())) this.#serverAway++;
    }
  }

  /** The rig ends its pump's work; the recorder lives on until all that is owed is made good. */
  async settle(): Promise<void> {
    await delay(after_s * 1000);
    await this.#rig?.kill();
    const deadline = Date.now() + patience_s * 1000;
    let count = -1;
    for (;;) {
      const ids = await listEvents(this.#data);
      const owed = (await readTrips(this.#data, disk)).owed.length;
      const unjudged = ids.filter((id) => !hasVerdict(eventFolder(this.#data, id))).length;
      const unfinished = this.#leftOvers.unfinished();
      const isStill = ids.length === count;
      count = ids.length;
      if (owed === 0 && unjudged === 0 && unfinished.length === 0 && isStill) return;
      if (Date.now() > deadline) {
        this.#failures.push(
          `after ${patience_s} s: ${owed} trips owed, ${unjudged} events without verdict, unfinished: ${unfinished.join(', ')}`,
        );
        return;
      }
      await delay(1000);
    }
  }

  async end(): Promise<void> {
    await this.#rig?.kill();
    const recorder = this.#recorder;
    if (recorder === null) return;
    const servers = childrenOf(recorder.child.pid ?? 0);
    await recorder.kill();
    // The server ends by itself when its recorder has gone; the index must not be open any more.
    for (const pid of servers) await gone(pid);
  }

  async result(): Promise<TripKillResult> {
    const truth = {
      stops_s: this.#stops_s,
      declared: this.#declared,
      lives: this.#lives,
      epoch_ms: Date.now() - 1000 * monotonic_s(),
    };
    const audit = await auditTrips(this.#data, truth);
    const events = await auditEvents(this.#data, [...this.#acknowledged], [trippingLine]);
    const failures = [...this.#failures, ...audit.failures, ...events.troubles, ...this.#leftOvers.failures];
    if (events.wrongValues > 0) failures.push(`${events.wrongValues} wrong values in events`);
    const away_s = this.#lives.flatMap(({ killed_s }, at) => {
      const back_s = this.#lives.slice(at + 1).find(({ first_s }) => first_s !== null)?.first_s;
      return killed_s === null || back_s == null ? [] : [back_s - killed_s];
    });
    return {
      victim: 'trips',
      seed: this.#options.seed,
      kills: this.#kills,
      serverAway: this.#serverAway,
      ...audit,
      eventsWhole: events.whole,
      isIndexRight: events.isIndexRight,
      onRecord_ms: {
        median: quantile(this.#onRecord_ms, 0.5),
        p99: quantile(this.#onRecord_ms, 0.99),
        most: quantile(this.#onRecord_ms, 1),
      },
      away_s: { median: quantile(away_s, 0.5), most: quantile(away_s, 1) },
      failures,
    };
  }

  /**
   * The next stop of the pump from number `first` on whose kill is still to come. A recorder that starts slowly outlasts a stop or
   * two; killed for those at once, it would never live.
   */
  async #stop(first: number, kill_s: number): Promise<number> {
    for (let trip = first; ; ) {
      const stop_s = this.#stops_s[trip];
      if (stop_s === undefined) {
        await new Promise<void>((resolve) => {
          this.#onStop = resolve;
        });
      } else if (stop_s + kill_s >= monotonic_s() - late_s) return trip;
      else trip++;
    }
  }

  async #startRig(): Promise<void> {
    const rig = new Worker<never, FromTrippingRig>(
      new URL('kill-trip-rig.ts', import.meta.url),
      join(this.#options.folder, 'kills.log'),
      { SOAK_PORT: join(this.#options.folder, 'ports', 'stream') },
      (message) => {
        if (message.kind !== 'stop') return;
        this.#stops_s.push(message.stop_s);
        this.#onStop?.();
      },
    );
    this.#rig = rig;
    await rig.heard('started');
  }

  async #startRecorder(): Promise<void> {
    const life: Life = { first_s: null, killed_s: null };
    this.#lives.push(life);
    const { folder } = this.#options;
    const recorder = new Worker<ToKilled, FromKilled>(
      new URL('kill-recorder.ts', import.meta.url),
      join(folder, 'kills.log'),
      {},
      (message) => this.#heard(message, life),
    );
    this.#recorder = recorder;
    await recorder.ask(
      { dataFolder: this.#data, port: join(folder, 'ports', 'stream'), isFed: false },
      'started',
    );
    this.#leftOvers.started();
  }

  #heard(message: FromKilled, life: Life): void {
    if (message.kind === 'trip') this.#declared.set(message.event, message);
    else if (message.kind === 'event') this.#acknowledged.add(message.event);
    else if (message.kind === 'on-record') this.#onRecord_ms.push(message.durable_ms);
    else if (message.kind === 'ring') life.first_s ??= message.time_s;
  }

  async #killRecorder(isServerKilled: boolean): Promise<void> {
    const recorder = this.#recorder;
    if (recorder === null) return;
    const silence = new Promise((resolve) => recorder.child.once('disconnect', resolve));
    const [server] = childrenOf(recorder.pid);
    await recorder.kill();
    this.#lives.at(-1)!.killed_s = monotonic_s();
    if (isServerKilled && server !== undefined) killNow(server);
    await silence;
    this.#leftOvers.killed();
    if (this.#options.isForgetful === true) {
      rmSync(tripLedgerPath(this.#data), { force: true });
      rmSync(ringFolder(this.#data), { recursive: true, force: true });
    }
    await this.#startRecorder();
  }

  /** False when there is none. */
  async #killServer(): Promise<boolean> {
    const deadline_s = monotonic_s() + server_s;
    while (monotonic_s() < deadline_s) {
      const [server] = childrenOf(this.#recorder?.pid ?? 0);
      if (server !== undefined) return killNow(server);
      await delay(20);
    }
    return false;
  }
}

function killNow(pid: number): boolean {
  try {
    process.kill(pid, 'SIGKILL');
    return true;
  } catch {
    // It was gone already.
    return false;
  }
}

function hasVerdict(folder: string): boolean {
  return readdirSync(folder).some((name) => /^verdict-\d+\.json$/.test(name));
}

async function gone(pid: number): Promise<void> {
  const deadline = Date.now() + 10_000;
  while (residentMemory_MB(pid) !== null && Date.now() < deadline) await delay(20);
}

function quantile(values: readonly number[], share: number): number {
  const sorted = [...values].sort((a, b) => a - b);
  const value = sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? 0;
  return Math.round(1000 * value) / 1000;
}
