/** One soak: starts rig, recorder and server, lets the planned faults happen, stops in order, and audits what is there. */
import { appendFileSync, mkdirSync, readFileSync, renameSync, writeFileSync } from 'node:fs';
import { homedir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as delay } from 'node:timers/promises';
import type { StatusMessage, TripMessage } from '../../daemon/recorder/messages.ts';
import { tallyRing } from '../../daemon/store/ring-read.ts';
import type { PortAddress } from '../../daemon/virtual-rig/port.ts';
import { type Driver, monotonic_s } from '../../drivers/driver.ts';
import { createDriver } from '../../drivers/registry.ts';
import { BusAudit, type BusResult } from './bus-audit.ts';
import { auditEvents, type EventResult } from './event-audit.ts';
import { failuresOf } from './failures.ts';
import {
  type AppliedFault,
  auditCauses,
  auditReopenings,
  type CauseResult,
  type CounterLook,
  type Reopening,
  spansOf,
  withOwed,
} from './fault-audit.ts';
import type { Control } from './faults-preload.ts';
import type { HoldUp } from './hold-ups.ts';
import { type SoakLine, soakConfig, soakLines } from './lines.ts';
import { childrenOf, type MemorySample, residentMemory_MB, type Slope, slopeOf } from './memory.ts';
import type { BusNotes, StreamNotes } from './notes.ts';
import { bitErrors_ratio, type Fault, late, planFaults } from './plan.ts';
import { Worker } from './processes.ts';
import type { FromRecorderWorker, LoopLateness, ToRecorderWorker } from './recorder-worker.ts';
import type { FromRig, ToRig } from './rig-worker.ts';
import { type Listening, StreamAudit, type StreamResult } from './stream-audit.ts';
import { readTee } from './tee.ts';
import { auditTrips, type TripResult } from './trip-audit.ts';
import { frameScans } from './values.ts';
import type { DeliveredBlock } from './window-audit.ts';

export interface SoakOptions {
  readonly minutes: number;
  readonly seed: number;
  /** Everything goes there: data, ports, notes, log. */
  readonly folder: string;
  readonly say: (text: string) => void;
}

/** Scans of all groups of all lines: delivered = recorded in the disk ring + refused by the disk + outrun. */
export interface RingResult {
  readonly delivered: number;
  readonly recorded: number;
  readonly refused: number;
  readonly outrun: number;
  /** Delivered less the others; 0 closes the sum. */
  readonly left: number;
}

export interface SoakResult {
  readonly minutes: number;
  readonly seed: number;
  readonly faults: Readonly<Record<string, number>>;
  readonly streams: readonly StreamResult[];
  readonly buses: readonly BusResult[];
  readonly trips: TripResult;
  readonly events: EventResult;
  readonly ring: RingResult;
  /** Time-outs, cut-offs, discards and losses held against the faults that were on. */
  readonly causes: CauseResult;
  /** Times that the machine held rig or recorder up by 60 ms or more. */
  readonly holdUps: number;
  readonly reopenings: readonly Reopening[];
  /** Those that took longer than their bound. */
  readonly slowReopenings: readonly Reopening[];
  /** What the slopes are of. */
  readonly memory: { readonly recorder: readonly MemorySample[]; readonly server: readonly MemorySample[] };
  readonly recorderMemory: Slope | null;
  readonly serverMemory: Slope | null;
  readonly lateness: LoopLateness;
  readonly counters: Readonly<Record<string, number>>;
  readonly serversSeen: number;
  /** What had failed; empty for a good run. */
  readonly failures: readonly string[];
}

/** Memory is looked at so often, in s. */
const look_s = 5;
/** Heaps grow to their size in so long, in s, or in half of a shorter run: left out of the slope of each process. */
const settlingHeap_s = 600;
/** What the service gives the recorder, see README; sources are kept stripped as `guard.mjs` has them. */
const serviceEnvironment = {
  MALLOC_ARENA_MAX: '2',
  NODE_OPTIONS: '--max-semi-space-size=8',
  NODE_COMPILE_CACHE: join(homedir(), '.cache/tripwave/compiled'),
} as const;
/** The lines are open so long after the recorder has started at the latest, in s. */
const opening_s = 3;
/** What is owed is written so long after the faults have ended, in s. */
const settling_s = 25;

export async function soak(options: SoakOptions): Promise<SoakResult> {
  const run = new SoakRun(options);
  try {
    await run.start();
    await run.disturb();
    await run.stop();
  } finally {
    await run.kill();
  }
  return run.audit();
}

class SoakRun {
  readonly #options: SoakOptions;
  readonly #log: string;
  readonly #rigs: { readonly lines: readonly SoakLine[]; readonly worker: Worker<ToRig, FromRig> }[] = [];
  #recorder: Worker<ToRecorderWorker, FromRecorderWorker> | null = null;
  readonly #trips: TripMessage[] = [];
  readonly #closed: string[] = [];
  readonly #verdicts = new Set<string>();
  readonly #memory: { recorder: MemorySample[]; server: MemorySample[] } = { recorder: [], server: [] };
  readonly #servers = new Set<number>();
  readonly #faults: Record<string, number> = {};
  readonly #applied: AppliedFault[] = [];
  readonly #looks: CounterLook[] = [];
  readonly #holdUps: HoldUp[] = [];
  #control: Control = { clock_ms: 0, disk: 'well' };
  #start_s = 0;
  #listening_s = 0;
  #stop_s = 0;
  #status: StatusMessage | null = null;
  #lateness: LoopLateness = { p50_ms: 0, p99_ms: 0, max_ms: 0 };

  constructor(options: SoakOptions) {
    this.#options = options;
    this.#log = join(options.folder, 'soak.log');
  }

  async start(): Promise<void> {
    const { folder, seed } = this.#options;
    mkdirSync(join(folder, 'tee'), { recursive: true });
    this.#setControl({});
    const addresses: Record<string, PortAddress> = {};
    // A converter and a bus hold each other up in one process: every reply is waited for to within 0.1 ms.
    const kinds = ['stream', 'bus'] as const;
    for (const kind of kinds) {
      const lines = soakLines.filter((line) => line.kind === kind);
      const worker = new Worker<ToRig, FromRig>(
        new URL('rig-worker.ts', import.meta.url),
        this.#log,
        {},
        () => undefined,
      );
      this.#rigs.push({ lines, worker });
      const started = await worker.ask({ start: { folder, seed, lines } }, 'started');
      Object.assign(addresses, started.addresses);
    }
    const preload = new URL('faults-preload.ts', import.meta.url).href;
    const recorder = new Worker<ToRecorderWorker, FromRecorderWorker>(
      new URL('recorder-worker.ts', import.meta.url),
      this.#log,
      {
        ...serviceEnvironment,
        NODE_OPTIONS: `${serviceEnvironment.NODE_OPTIONS} --import=${preload}`,
        SOAK_CONTROL: this.#controlPath,
      },
      (message) => this.#hear(message),
    );
    this.#recorder = recorder;
    const config = soakConfig(folder, addresses);
    await recorder.ask({ config, teeFolder: join(folder, 'tee') }, 'started');
    this.#start_s = monotonic_s();
    this.#listening_s = this.#start_s + opening_s;
  }

  /** Lets every planned fault happen at its instant, and looks at the memory in between. */
  async disturb(): Promise<void> {
    const { minutes, seed, say } = this.#options;
    const plan = planFaults(minutes, seed);
    say(`seed ${seed}, ${minutes} minutes, ${plan.length} changes of fault planned`);
    const end_s = this.#start_s + minutes * 60;
    let next = 0;
    let looked_s = 0;
    for (let now_s = monotonic_s(); now_s < end_s; now_s = monotonic_s()) {
      const fault = plan[next];
      if (fault !== undefined && now_s >= this.#start_s + fault.at_s) {
        next++;
        this.#note(`${fault.at_s.toFixed(1)} s ${JSON.stringify(fault)}`);
        const asked_s = monotonic_s();
        await this.#apply(fault);
        this.#applied.push({ fault, asked_s, done_s: monotonic_s() });
        continue;
      }
      if (now_s >= looked_s + look_s) {
        looked_s = now_s;
        this.#look(now_s);
      }
      const due_s = fault === undefined ? end_s : this.#start_s + fault.at_s;
      await Promise.race([
        delay(Math.max(1, Math.min(look_s, due_s - now_s, end_s - now_s) * 1000)),
        this.#recorder!.ended.then((how) => {
          throw new Error(`the recorder ended (${how}): see ${this.#log}`);
        }),
      ]);
    }
    // Verdicts that are owed may take their time on a busy machine.
    const patience_s = end_s + settling_s;
    while (this.#closed.some((id) => !this.#verdicts.has(id)) && monotonic_s() < patience_s) await delay(200);
  }

  async stop(): Promise<void> {
    this.#stop_s = monotonic_s();
    const recorder = this.#recorder!;
    const { status, lateness } = await recorder.ask('stop', 'status');
    this.#status = status;
    this.#lateness = lateness;
    await recorder.ended;
    for (const { worker } of this.#rigs) {
      this.#holdUps.push(...(await worker.ask({ stop: true }, 'stopped')).holdUps);
      await worker.ended;
    }
  }

  async kill(): Promise<void> {
    const server = this.#recorder === null ? [] : childrenOf(this.#recorder.child.pid ?? 0);
    await this.#recorder?.kill();
    for (const pid of server) if (residentMemory_MB(pid) !== null) process.kill(pid, 'SIGKILL');
    for (const { worker } of this.#rigs) await worker.kill();
  }

  async audit(): Promise<SoakResult> {
    const { minutes, seed, folder, say } = this.#options;
    const status = this.#status!;
    const listening: Listening = { from_s: this.#listening_s, to_s: this.#stop_s };
    say('auditing');
    const config = soakConfig(folder, noAddresses());
    let spans = spansOf(this.#applied, this.#stop_s);
    const holdUps = this.#holdUps;
    const came: { line: string; transport: 'pty' | 'tcp'; came_s: readonly number[] }[] = [];
    const there = new Map<string, readonly DeliveredBlock[]>();
    const streams: StreamResult[] = [];
    const buses: BusResult[] = [];
    let trips: TripResult | null = null;
    let delivered = 0;
    for (const line of soakLines) {
      const counters = status.lines.find((each) => each.line === line.id)!.counters;
      const tee = join(folder, 'tee', `${line.id}.tee`);
      const notes = readFileSync(join(folder, `${line.id}.notes.json`), 'utf8');
      if (line.kind === 'stream') {
        const own: StreamNotes = JSON.parse(notes);
        const audit = new StreamAudit(line, own);
        const blocks: DeliveredBlock[] = [];
        for await (const block of readTee(tee)) {
          delivered += block.scans;
          audit.add(block);
          const { scan, scans, time_s, interval_s } = block;
          blocks.push({ scan, scans, time_s, interval_s });
        }
        there.set(line.id, blocks);
        came.push({
          line: line.id,
          transport: line.transport,
          came_s: framesThere_s(own, audit.delivered()),
        });
        streams.push(audit.result(listening, counters['scansLost']!, counters['scansDiscarded']));
        trips ??= auditTrips(own, audit.delivered(), this.#trips);
      } else {
        const own: BusNotes = JSON.parse(notes);
        spans = withOwed(spans, line.id, own.replies);
        const audit = new BusAudit(line, own, { spans, holdUps });
        came.push({ line: line.id, transport: line.transport, came_s: own.heard_s });
        const driver: Driver = await createDriver(config.lines.find(({ id }) => id === line.id)!);
        for await (const block of readTee(tee)) {
          delivered += block.scans;
          audit.add(block, driver.groups[block.group]!.channels);
        }
        buses.push(audit.result(listening, counters));
      }
    }
    const { windows } = config;
    const rates_Hz = Object.fromEntries(
      soakLines.flatMap((line) => (line.kind === 'stream' ? [[line.id, line.rate_Hz]] : [])),
    );
    const events = await auditEvents(config.dataFolder, this.#closed, soakLines, {
      limits: windows,
      streams: there,
    });
    const reopened = auditReopenings(spans, came, this.#stop_s);
    const recorded = (await tallyRing(config.dataFolder)).reduce((sum, each) => sum + each.scansRecorded, 0);
    const refused = status.counters['ringScansRefused'] ?? 0;
    const outrun = status.counters['ringScansOutrun'] ?? 0;
    const ring = { delivered, recorded, refused, outrun, left: delivered - recorded - refused - outrun };
    const heap_s = Math.min(settlingHeap_s, minutes * 30);
    const result = {
      minutes,
      seed,
      faults: this.#faults,
      streams,
      buses,
      trips: trips!,
      events,
      ring,
      causes: auditCauses(this.#looks, spans, { from_s: this.#listening_s, holdUps, rates_Hz }),
      holdUps: holdUps.length,
      reopenings: reopened.reopenings,
      slowReopenings: reopened.slow,
      memory: this.#memory,
      recorderMemory: slopeOf(this.#memory.recorder, heap_s),
      serverMemory: slopeOf(this.#memory.server, heap_s),
      lateness: this.#lateness,
      counters: status.counters,
      serversSeen: this.#servers.size,
    };
    return { ...result, failures: failuresOf(result) };
  }

  get #controlPath(): string {
    return join(this.#options.folder, 'control.json');
  }

  #setControl(change: Partial<Control>): void {
    this.#control = { ...this.#control, ...change };
    writeFileSync(`${this.#controlPath}.new`, JSON.stringify(this.#control));
    renameSync(`${this.#controlPath}.new`, this.#controlPath);
  }

  async #apply(fault: Fault): Promise<void> {
    const isBegin = !('isOn' in fault) || fault.isOn;
    if (isBegin && fault.what !== 'replug') {
      const name = fault.what === 'disk' ? `disk-${fault.disk}` : fault.what;
      if (name !== 'disk-well') this.#faults[name] = (this.#faults[name] ?? 0) + 1;
    }
    switch (fault.what) {
      case 'bit-errors':
        await this.#tellRig(fault.line, {
          wire: { line: fault.line, faults: { bitErrors_ratio: fault.isOn ? bitErrors_ratio : 0 } },
        });
        break;
      case 'late-replies':
        await this.#tellRig(fault.line, {
          units: { line: fault.line, faults: fault.isOn ? late : { late_ratio: 0 } },
        });
        break;
      case 'silent-units':
        await this.#tellRig(fault.line, { units: { line: fault.line, faults: { isDead: fault.isOn } } });
        break;
      case 'unplug':
        await this.#tellRig(fault.line, { unplug: fault.line });
        break;
      case 'replug':
        await this.#tellRig(fault.line, { replug: fault.line });
        break;
      case 'kill-server':
        for (const pid of childrenOf(this.#recorder!.pid)) process.kill(pid, 'SIGKILL');
        break;
      case 'clock':
        this.#setControl({ clock_ms: fault.clock_ms });
        break;
      case 'disk':
        this.#setControl({ disk: fault.disk });
        break;
    }
  }

  async #tellRig(line: string, message: ToRig): Promise<void> {
    const rig = this.#rigs.find(({ lines }) => lines.some(({ id }) => id === line));
    if (rig === undefined) throw new Error(`no rig plays ${line}`);
    await rig.worker.ask(message, 'done');
  }

  #look(now_s: number): void {
    const { pid } = this.#recorder!;
    const own_MB = residentMemory_MB(pid);
    if (own_MB !== null) this.#memory.recorder.push({ at_s: now_s, pid, rss_MB: own_MB });
    for (const server of childrenOf(pid)) {
      this.#servers.add(server);
      const rss_MB = residentMemory_MB(server);
      if (rss_MB !== null) this.#memory.server.push({ at_s: now_s, pid: server, rss_MB });
    }
  }

  #hear(message: FromRecorderWorker): void {
    if (message.kind === 'trip') this.#trips.push(message.trip);
    else if (message.kind === 'event') this.#closed.push(message.event);
    else if (message.kind === 'verdict') this.#verdicts.add(message.event);
    else if (message.kind === 'look') {
      this.#looks.push(message.look);
      this.#holdUps.push(...message.holdUps);
    }
  }

  #note(text: string): void {
    appendFileSync(this.#log, `soak: ${text}\n`);
  }
}

/** True instants of the frames that the recorder had, in s. */
function framesThere_s({ start_s, period_s }: StreamNotes, delivered: Uint8Array): number[] {
  const there: number[] = [];
  delivered.forEach((isThere, frame) => {
    if (isThere === 1) there.push(start_s + frame * frameScans * period_s);
  });
  return there;
}

/** Of ports that have gone; only their kind matters. */
function noAddresses(): Record<string, PortAddress> {
  return Object.fromEntries(
    soakLines.map(({ id, transport }) => [
      id,
      transport === 'pty' ? { kind: 'serial', path: '/none' } : { kind: 'tcp', host: '127.0.0.1', port: 1 },
    ]),
  );
}
