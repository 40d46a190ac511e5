/** Kills each process of the instrument again and again with SIGKILL, and looks at what it left behind. */
import { once } from 'node:events';
import { mkdirSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { auditEvents } from './event-audit.ts';
import { killedLine } from './kill-config.ts';
import { LeftOvers } from './kill-leftovers.ts';
import type { FromKilled, ToKilled } from './kill-recorder.ts';
import { RingAudit, type RingResult } from './kill-ring.ts';
import { childrenOf, residentMemory_MB } from './memory.ts';
import { Worker } from './processes.ts';

export type Victim = 'recorder' | 'server' | 'rig';

export interface KillResult {
  readonly victim: Victim;
  readonly seed: number;
  readonly kills: number;
  readonly eventsAcknowledged: number;
  readonly verdictsAcknowledged: number;
  readonly eventsWhole: number;
  /** What kills left unfinished: events, verdicts, tails of the ring. The next start dealt with all of it, or it is a failure. */
  readonly left: { readonly torn: number; readonly verdicts: number; readonly tails: number };
  readonly ring: RingResult;
  readonly isIndexRight: boolean;
  /** Empty for a good run. */
  readonly failures: readonly string[];
}

/** The victim lives for so long, in s: shorter than two trips, longer than a start. */
const lives_s: Record<Victim, readonly [number, number]> = {
  recorder: [0.05, 2.2],
  server: [0.02, 1],
  rig: [0.3, 4],
};
/** A recorder outlives so many kills of its server: the wait before each restart of a server doubles. */
const serverKillsARecorder = 3;
/** An event whose converter has gone closes by the clock within this, in s. */
const openEvent_s = 4;
/** What is owed after the last kill is written within this, in s. */
const patience_s = 60;

/** `folder` holds the data and the log; it must be empty. */
export async function killAtRandom(
  victim: Victim,
  kills: number,
  seed: number,
  folder: string,
): Promise<KillResult> {
  mkdirSync(folder, { recursive: true });
  const killing = new Killing(folder, victim, new Random(seed, victim));
  try {
    for (let done = 0; done < kills; ) done += await killing.round(kills - done);
    await killing.settle();
  } finally {
    await killing.end();
  }
  return killing.result(kills, seed);
}

class Killing {
  readonly #folder: string;
  readonly #data: string;
  readonly #log: string;
  readonly #victim: Victim;
  readonly #random: Random;
  readonly #events = new Set<string>();
  readonly #verdicts = new Map<string, string>();
  readonly #looked = new Set<string>();
  readonly #killed = new Set<number>();
  readonly #failures: string[] = [];
  readonly #leftOvers: LeftOvers;
  readonly #ring: RingAudit;
  #recorder: Worker<ToKilled, FromKilled> | null = null;
  #rig: Worker<never, { kind: 'started' }> | null = null;

  constructor(folder: string, victim: Victim, random: Random) {
    this.#folder = folder;
    this.#data = join(folder, 'data');
    this.#log = join(folder, 'kills.log');
    this.#victim = victim;
    this.#random = random;
    this.#leftOvers = new LeftOvers(this.#data);
    this.#ring = new RingAudit(this.#data);
  }

  /** One life of a recorder, or of a rig; returns how many kills it was. */
  async round(most: number): Promise<number> {
    if (this.#victim === 'rig') {
      if (this.#recorder === null) await this.#startRecorder(false);
      await this.#startRig();
      await this.#live();
      await this.#rig!.kill();
      await this.#ring.lives();
      return 1;
    }
    const recorder = await this.#startRecorder(true);
    if (this.#victim === 'recorder') {
      await this.#live();
      await this.#killRecorder(recorder);
      return 1;
    }
    const kills = Math.min(most, serverKillsARecorder);
    for (let kill = 0; kill < kills; kill++) {
      const pid = await this.#serverOf(recorder.pid);
      await this.#live();
      // A process that was killed stays among the children until its parent has noticed.
      this.#killed.add(pid);
      process.kill(pid, 'SIGKILL');
    }
    await this.#killRecorder(recorder);
    return kills;
  }

  /** A last life without a kill, in which everything that is owed is made good. */
  async settle(): Promise<void> {
    if (this.#victim !== 'rig') await this.#startRecorder(false);
    const deadline = Date.now() + patience_s * 1000;
    if (this.#victim === 'rig') await delay(openEvent_s * 1000);
    let count = -1;
    for (;;) {
      const ids = await listEvents(this.#data);
      const owed = ids.filter((id) => !hasVerdict(eventFolder(this.#data, id)));
      const unfinished = this.#leftOvers.unfinished();
      // The event that was open when the rig died closes by the clock.
      const isStill = ids.length === count;
      count = ids.length;
      if (owed.length === 0 && unfinished.length === 0 && isStill) break;
      if (Date.now() > deadline) {
        if (owed.length > 0)
          this.#failures.push(`${owed.length} events have no verdict after ${patience_s} s`);
        for (const path of unfinished)
          this.#failures.push(`${path}: neither finished nor removed after ${patience_s} s`);
        break;
      }
      await delay(200);
    }
  }

  async end(): Promise<void> {
    await this.#rig?.kill();
    const recorder = this.#recorder;
    if (recorder === null) return;
    const servers = childrenOf(recorder.child.pid ?? 0);
    if (recorder.child.connected) await this.#killRecorder(recorder);
    // The server ends by itself when its recorder has gone; the index must not be open any more.
    for (const pid of servers) await gone(pid);
  }

  /** Kills, hears what the dead one still said, and looks at what lies there before anything sweeps it. */
  async #killRecorder(recorder: Worker<ToKilled, FromKilled>): Promise<void> {
    const silence = once(recorder.child, 'disconnect');
    const killed_s = monotonic_s();
    await recorder.kill();
    await silence;
    this.#leftOvers.killed();
    await this.#ring.killed(killed_s);
    await this.#look();
  }

  async #startRecorder(isFed: boolean): Promise<Worker<ToKilled, FromKilled>> {
    const recorder = new Worker<ToKilled, FromKilled>(
      new URL('kill-recorder.ts', import.meta.url),
      this.#log,
      {},
      (message) => {
        if (message.kind === 'event') this.#events.add(message.event);
        else if (message.kind === 'verdict') this.#verdicts.set(message.event, message.file);
        else if (message.kind === 'ring') this.#ring.heard(message);
      },
    );
    this.#recorder = recorder;
    const port = this.#victim === 'rig' ? join(this.#folder, 'ports', 'stream') : null;
    await recorder.ask({ dataFolder: this.#data, port, isFed }, 'started');
    this.#leftOvers.started();
    return recorder;
  }

  async #startRig(): Promise<void> {
    const port = join(this.#folder, 'ports', 'stream');
    const rig = new Worker<never, { kind: 'started' }>(
      new URL('kill-rig.ts', import.meta.url),
      this.#log,
      { SOAK_PORT: port },
      () => undefined,
    );
    this.#rig = rig;
    await rig.heard('started');
  }

  async #live(): Promise<void> {
    const [least_s, most_s] = lives_s[this.#victim];
    await delay(1000 * this.#random.between(least_s, most_s));
  }

  /** The server that lives now; waits until one does. */
  async #serverOf(recorder: number): Promise<number> {
    for (;;) {
      const pid = childrenOf(recorder).find((each) => !this.#killed.has(each));
      if (pid !== undefined) return pid;
      await delay(5);
    }
  }

  /** Every event acknowledged since the last look is there and whole. */
  async #look(): Promise<void> {
    const found = await listEvents(this.#data);
    for (const id of this.#events) {
      if (this.#looked.has(id)) continue;
      this.#looked.add(id);
      if (!found.includes(id)) {
        this.#failures.push(`${id}: acknowledged and not there`);
        continue;
      }
      const { damage } = await loadEvent(eventFolder(this.#data, id));
      if (damage.length > 0) this.#failures.push(`${id}: ${damage[0]!.why}`);
    }
  }

  async result(kills: number, seed: number): Promise<KillResult> {
    await this.#look();
    for (const path of this.#leftOvers.unfinished())
      this.#failures.push(`${path}: neither finished nor removed`);
    const ring = await this.#ring.result();
    for (const [event, file] of this.#verdicts) {
      if (!readdirSync(eventFolder(this.#data, event)).includes(file))
        this.#failures.push(`${event}: ${file} was acknowledged and is not there`);
    }
    const events = await auditEvents(
      this.#data,
      [...this.#events],
      this.#victim === 'rig' ? [killedLine] : [],
    );
    this.#failures.push(...events.troubles);
    if (events.wrongValues > 0) this.#failures.push(`${events.wrongValues} wrong values in events`);
    return {
      victim: this.#victim,
      seed,
      kills,
      eventsAcknowledged: this.#events.size,
      verdictsAcknowledged: this.#verdicts.size,
      eventsWhole: events.whole,
      left: this.#leftOvers.seen,
      ring,
      isIndexRight: events.isIndexRight,
      failures: [...this.#failures, ...this.#leftOvers.failures, ...this.#ring.failures],
    };
  }
}

function hasVerdict(folder: string): boolean {
  return readdirSync(folder).some((name) => name.startsWith('verdict-') && name.endsWith('.json'));
}

async function gone(pid: number): Promise<void> {
  const deadline = Date.now() + 10_000;
  while (residentMemory_MB(pid) !== null && Date.now() < deadline) await delay(20);
}
