/** Puts the server behind the recorder: ordinary scheduling, a lower priority, and the first to go when memory runs out. */
import { existsSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { getPriority, setPriority } from 'node:os';

/** Niceness of the server above the recorder's; raising it needs no right. Measured: `npm run bench -- poll-lateness`. */
const nicenessAbove = 10;
const largestNiceness = 19;
/** Of -1000 (never) to 1000 (first), proc(5): both share one control group, and the recorder must be what stays. */
const outOfMemoryScore = 500;

/** Fixed places: a name looked for along PATH could be anybody's. */
const chrtPlaces = ['/usr/bin/chrt', '/bin/chrt'];

/** How to start Node so that the child has ordinary scheduling. */
export interface Launch {
  readonly execPath: string;
  /** Come before the child's own arguments. */
  readonly first: readonly string[];
  /** False: the child has real-time priority like this process, and nothing here can take it away. */
  readonly isOrdinary: boolean;
}

/**
 * A child inherits real-time priority, unless the service manager has set CPUSchedulingResetOnFork. Node cannot give it up,
 * `chrt` can; it becomes the child, so the process number stays.
 */
export function launchNode(policy = schedulingPolicy('self'), has = existsSync): Launch {
  const plain = { execPath: process.execPath, first: [] };
  if (!isRealTime(policy)) return { ...plain, isOrdinary: true };
  const chrt = chrtPlaces.find(has);
  if (chrt === undefined) return { ...plain, isOrdinary: false };
  return { execPath: chrt, first: ['--other', '0', process.execPath], isOrdinary: true };
}

/**
 * Lowers a child that has just been started. To be repeated once it runs: niceness belongs to each thread, and the child's may
 * have begun meanwhile. What the system does not allow is left as it is; `doctor` shows it.
 */
export function rankBelow(pid: number): void {
  const niceness = Math.min(largestNiceness, getPriority() + nicenessAbove);
  for (const thread of threadsOf(pid)) attempt(() => setPriority(thread, niceness));
  const path = `/proc/${pid}/oom_score_adj`;
  attempt(() => {
    if (Number(readFileSync(path, 'utf8')) < outOfMemoryScore) writeFileSync(path, `${outOfMemoryScore}`);
  });
}

/** Field 41 of /proc/PID/stat (proc(5)); null where the system does not say. */
export function schedulingPolicy(process_: number | 'self'): number | null {
  const stat = attempt(() => readFileSync(`/proc/${process_}/stat`, 'utf8'));
  return stat === null ? null : Number(stat.slice(stat.lastIndexOf(')') + 2).split(' ')[38]);
}

/** First in first out, or round robin (sched(7)). */
export function isRealTime(policy: number | null): boolean {
  return policy === 1 || policy === 2;
}

function threadsOf(pid: number): number[] {
  return attempt(() => readdirSync(`/proc/${pid}/task`).map(Number)) ?? [pid];
}

/** null: the process has gone, or the system does not allow it. Neither is the recorder's trouble. */
function attempt<T>(act: () => T): T | null {
  try {
    return act();
  } catch {
    return null;
  }
}
