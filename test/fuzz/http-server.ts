/** The real server process over a real data folder, as its recorder would start it; with what it costs. */
import { type ChildProcess, fork } from 'node:child_process';
import { once } from 'node:events';
import { readFileSync, truncateSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { DiskRing } from '../../daemon/recorder/disk-ring.ts';
import type { StatusMessage, ToRecorder } from '../../daemon/recorder/messages.ts';
import { serverArguments, serverEnvironment } from '../../daemon/recorder/server-memory.ts';
import { EventFolderWrite, eventFolder } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { eventContent, temporaryFolder } from '../support/event-builder.ts';
import { blockOf, groupOf, ordinaryTrip, recorderRig, tripScene } from '../support/recorder-rig.ts';
import { silentLog } from '../support/silent-log.ts';

/** Ticks of the processor time in /proc, 100 a second on every Linux (sysconf _SC_CLK_TCK; common practice, no source). */
const ticks_Hz = 100;
const module = resolve(import.meta.dirname, '../../daemon/server/main.ts');

/** Of the disk ring: begin on the wall clock and length. */
export const ringBegin_ms = Date.UTC(2026, 5, 11, 12, 0, 0);
export const ring_s = 90;
const ringInterval_s = 0.005;

export interface RealServer {
  readonly port: number;
  readonly folder: string;
  /** Ids of whole events; the last one's trace is torn. */
  readonly events: readonly string[];
  /** What it wrote to its log. */
  readonly log: () => string;
  /** Why it ended; null while it lives. */
  readonly ended: () => string | null;
  /** Processor time so far, in s, and resident memory, in MB. */
  readonly cost: () => { readonly cpu_s: number; readonly rss_MB: number };
  readonly stop: () => Promise<void>;
}

export async function startRealServer(): Promise<RealServer> {
  const data = temporaryFolder();
  const events = await fillEvents(data.path);
  await fillRing(data.path);
  const child = fork(module, [], {
    serialization: 'advanced',
    stdio: ['ignore', 'ignore', 'pipe', 'ipc'],
    execArgv: [...serverArguments],
    env: serverEnvironment(process.env),
  });
  let log = '';
  let ended: string | null = null;
  child.stderr!.on('data', (text) => {
    log = `${log}${text}`.slice(-20_000);
  });
  child.on('exit', (code, signal) => {
    ended = `ended by ${signal ?? code}: ${log.slice(-2000)}`;
  });
  const { port, timer } = await introduce(child, data.path);
  return {
    port,
    folder: data.path,
    events,
    log: () => log,
    ended: () => ended,
    cost: () => costOf(child.pid!),
    async stop() {
      clearInterval(timer);
      if (ended === null) {
        const exit = once(child, 'exit');
        child.disconnect();
        const late = setTimeout(() => child.kill('SIGKILL'), 5000);
        await exit;
        clearTimeout(late);
      }
      data.remove();
    },
  };
}

/** What the recorder says at first and then twice a second. */
async function introduce(
  child: ChildProcess,
  folder: string,
): Promise<{ readonly port: number; readonly timer: NodeJS.Timeout }> {
  const ready = new Promise<number>((resolve, reject) => {
    child.on('message', (message) => {
      const answer = message as ToRecorder;
      if (answer.kind === 'ready') resolve(answer.port);
    });
    child.once('exit', (code) => reject(new Error(`the server ended at its start: ${code}`)));
  });
  const config = recorderRig({ dataFolder: folder });
  const anchor = { time_s: 0, wall_ms: Date.now() };
  child.send({ kind: 'hello', config, software: 'test', boot: 'fuzz', anchor });
  const begun_ms = performance.now();
  const status = (): StatusMessage => ({
    kind: 'status',
    time_s: (performance.now() - begun_ms) / 1000,
    phase: 'running',
    tripIn_s: null,
    lines: [],
    counters: {},
  });
  const timer = setInterval(() => child.connected && child.send(status()), 500);
  return { port: await ready, timer };
}

async function fillEvents(folder: string): Promise<string[]> {
  const events: string[] = [];
  for (let second = 0; second < 6; second++) {
    const content = eventContent(folder, second);
    await new EventFolderWrite(folder, content, disk).write();
    events.push(content.header.id);
  }
  truncateSync(join(eventFolder(folder, events.at(-1)!), 'trace.bin'), 20);
  return events;
}

async function fillRing(folder: string): Promise<void> {
  const begun_s = 100;
  let now_s = begun_s;
  const ring = new DiskRing({
    config: recorderRig({ dataFolder: folder }),
    boot: 'earlier',
    groups: [{ ...groupOf(ringInterval_s), line: 'stream' }],
    anchor: () => ({ time_s: now_s, wall_ms: ringBegin_ms + (now_s - begun_s) * 1000 }),
    files: disk,
    log: silentLog(),
    now_s: () => now_s,
  });
  const scene = tripScene(ordinaryTrip, 3);
  const scans = 1 / ringInterval_s;
  for (let second = 0; second < ring_s; second++) {
    ring.add(0, blockOf(scene, begun_s, second * scans, scans, ringInterval_s));
    now_s += 1;
    ring.tick(now_s);
    await ring.idle();
  }
  await ring.finish();
}

function costOf(pid: number): { readonly cpu_s: number; readonly rss_MB: number } {
  const stat = readFileSync(`/proc/${pid}/stat`, 'latin1');
  // The name of the program may hold spaces and stands in brackets; fields 14 and 15 are user and system time (proc(5)).
  const fields = stat.slice(stat.lastIndexOf(')') + 2).split(' ');
  const rss_kB = /^VmRSS:\s+(\d+)/m.exec(readFileSync(`/proc/${pid}/status`, 'latin1'))![1];
  return {
    cpu_s: (Number(fields[11]) + Number(fields[12])) / ticks_Hz,
    rss_MB: Number(rss_kB) / 1000,
  };
}
