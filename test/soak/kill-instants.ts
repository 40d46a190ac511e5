/** Kills each process of the instrument again and again with SIGKILL, and looks at what it left behind. */
import { mkdirSync, readdirSync } from 'node:fs';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import { eventFolder, listEvents, setTornAside } from '../../daemon/store/event-folder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { Random } from '../../daemon/virtual-rig/random.ts';
import { auditEvents } from './event-audit.ts';
import { killedLine } from './kill-config.ts';
import type { FromKilled, ToKilled } from './kill-recorder.ts';
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
  /** Unfinished folders that were set aside as such. */
  readonly tornSetAside: number;
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
  #recorder: Worker<ToKilled, FromKilled> | null = null;
  #rig: Worker<never, { kind: 'started' }> | null = null;

  constructor(folder: string, victim: Victim, random: Random) {
    this.#folder = folder;
    this.#data = join(folder, 'data');
    this.#log = join(folder, 'kills.log');
    this.#victim = victim;
    this.#random = random;
  }

  /** One life of a recorder, or of a rig; returns how many kills it was. */
  async round(most: number): Promise<number> {
    if (this.#victim === 'rig') {
      if (this.#recorder === null) await this.#startRecorder(false);
      await this.#startRig();
      await this.#live();
      await this.#rig!.kill();
      return 1;
    }
    const recorder = await this.#startRecorder(true);
    if (this.#victim === 'recorder') {
      await this.#live();
      await recorder.kill();
      await this.#look();
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
    await recorder.kill();
    await this.#look();
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
      // The event that was open when the rig died closes by the clock.
      const isStill = ids.length === count;
      count = ids.length;
      if (owed.length === 0 && isStill) break;
      if (Date.now() > deadline) {
        this.#failures.push(`${owed.length} events have no verdict after ${patience_s} s`);
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
    await recorder.kill();
    // The server ends by itself when its recorder has gone; the index must not be open any more.
    for (const pid of servers) await gone(pid);
  }

  async #startRecorder(isFed: boolean): Promise<Worker<ToKilled, FromKilled>> {
    const recorder = new Worker<ToKilled, FromKilled>(
      new URL('kill-recorder.ts', import.meta.url),
      this.#log,
      {},
      (message) => {
        if (message.kind === 'event') this.#events.add(message.event);
        else if (message.kind === 'verdict') this.#verdicts.set(message.event, message.file);
      },
    );
    this.#recorder = recorder;
    const port = this.#victim === 'rig' ? join(this.#folder, 'ports', 'stream') : null;
    await recorder.ask({ dataFolder: this.#data, port, isFed }, 'started');
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
    await setTornAside(this.#data);
    const torn = readdirSync(this.#data).includes('torn') ? readdirSync(join(this.#data, 'torn')).length : 0;
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
    // Looked for after the index was made anew: that sweeps what a server left that outlived its recorder by a moment.
    const left = readdirSync(join(this.#data, 'events'), { recursive: true }).map(String);
    for (const name of left.filter((each) => /\.tmp-\d+$/.test(each)))
      this.#failures.push(`${name}: neither finished nor set aside`);
    if (events.wrongValues > 0) this.#failures.push(`${events.wrongValues} wrong values in events`);
    return {
      victim: this.#victim,
      seed,
      kills,
      eventsAcknowledged: this.#events.size,
      verdictsAcknowledged: this.#verdicts.size,
      eventsWhole: events.whole,
      tornSetAside: torn,
      isIndexRight: events.isIndexRight,
      failures: this.#failures,
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
