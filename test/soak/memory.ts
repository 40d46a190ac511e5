/** How fast a process grows. */
import { readFileSync } from 'node:fs';

export interface MemorySample {
  readonly at_s: number;
  readonly pid: number;
  readonly rss_MB: number;
}

export interface Slope {
  /** Growth, in MB/h. */
  readonly slope: number;
  /** Half of the 95 % interval, in MB/h. */
  readonly halfWidth: number;
  readonly samples: number;
  /** Median of the last tenth of them, in MB. */
  readonly last_MB: number;
}

/** Memory of a process in MB; null when it has gone. */
export function residentMemory_MB(pid: number): number | null {
  try {
    const text = readFileSync(`/proc/${pid}/status`, 'utf8');
    const found = /VmRSS:\s+(\d+) kB/.exec(text);
    return found === null ? null : Number(found[1]) / 1024;
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'ENOENT') throw error;
    return null;
  }
}

/** What a process showed after its first `settling_s`. */
function settled(all: readonly MemorySample[], pid: number, settling_s: number): MemorySample[] {
  const own = all.filter((sample) => sample.pid === pid);
  const born_s = own[0]?.at_s ?? 0;
  return own.filter(({ at_s }) => at_s >= born_s + settling_s);
}

/** Process ids of the children of a process. */
export function childrenOf(pid: number): number[] {
  try {
    const text = readFileSync(`/proc/${pid}/task/${pid}/children`, 'utf8');
    return text.split(' ').filter(Boolean).map(Number);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'ENOENT') throw error;
    return [];
  }
}

/**
 * Least squares with a level of its own for each process but one slope for all; what a process shows in its first
 * `settling_s`, in which a heap grows to its size, is left out, and so is a process that did not live longer. A heap
 * wanders, so neighbouring residuals are alike: the interval is widened by their correlation as of a first-order process
 * (effective number n (1 - r) / (1 + r); common practice, from memory). Null for too few samples.
 */
export function slopeOf(all: readonly MemorySample[], settling_s: number): Slope | null {
  const groups = [...new Set(all.map(({ pid }) => pid))]
    .map((pid) => settled(all, pid, settling_s))
    .filter((group) => group.length >= 10);
  let xx = 0;
  let xy = 0;
  const centred: { x: number; y: number; isFirst: boolean }[] = [];
  for (const group of groups) {
    const meanX = group.reduce((sum, { at_s }) => sum + at_s, 0) / group.length;
    const meanY = group.reduce((sum, { rss_MB }) => sum + rss_MB, 0) / group.length;
    group.forEach(({ at_s, rss_MB }, i) => {
      const x = (at_s - meanX) / 3600;
      const y = rss_MB - meanY;
      xx += x * x;
      xy += x * y;
      centred.push({ x, y, isFirst: i === 0 });
    });
  }
  const n = centred.length;
  const free = n - groups.length - 1;
  if (free < 10) return null;
  const slope = xy / xx;
  let squares = 0;
  let products = 0;
  let last = 0;
  for (const { x, y, isFirst } of centred) {
    const rest = y - slope * x;
    squares += rest * rest;
    if (!isFirst) products += rest * last;
    last = rest;
  }
  const correlation = squares === 0 ? 0 : Math.min(0.99, Math.max(0, products / squares));
  const widening = (1 + correlation) / (1 - correlation);
  const halfWidth = 1.96 * Math.sqrt((squares / free / xx) * widening);
  const newest = groups
    .flat()
    .sort((a, b) => a.at_s - b.at_s)
    .slice(-Math.ceil(n / 10));
  const last_MB = newest.map(({ rss_MB }) => rss_MB).sort((a, b) => a - b)[newest.length >> 1]!;
  return { slope, halfWidth, samples: n, last_MB };
}
