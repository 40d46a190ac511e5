/**
 * The disk ring: everything that the lines delivered, at full rate, an hour a file.
 *
 *   <dataFolder>/ring/20261125T14Z.seg     head `TRIPRING` and a RingHeader | chunk *   (see trace-chunk.ts)
 *                     20261125T14Z.tail    the same; the newest seconds in small chunks, rewritten when they are in the segment
 *                     20261125T14Z-2.seg   begun in the same hour: another start, calibration or wall clock
 *
 * Files are only ever appended to. A segment and its tail overlap; the reader drops what it has had, by scan number.
 */
import { join } from 'node:path';
import type { RigConfig } from '../../config/rig.ts';
import type { WallAnchor } from '../clock.ts';
import { DataError } from '../errors.ts';
import { decodeHead, encodeHead } from './trace-chunk.ts';
import { groupsFault, type TraceGroup } from './trace-header.ts';

const ringHead = { magic: 'TRIPRING', version: 1, what: 'ring segment' } as const;

/** What a segment says of itself: enough to read it with nothing beside it. */
export interface RingHeader {
  readonly format: 'tripwave-ring';
  readonly version: 1;
  readonly software: string;
  /** Run of the recorder; scan numbers and monotonic instants mean something within it. */
  readonly boot: string;
  /** 0 for the first segment of this run. */
  readonly sequence: number;
  /** Wall clock at a monotonic instant; a step of the wall clock begins a new segment. */
  readonly anchor: WallAnchor;
  /** The rig with the calibrations as they were applied. */
  readonly config: Omit<RigConfig, 'publish'>;
  /** Index = `RawBlock.group` of the blocks in this segment. */
  readonly groups: readonly TraceGroup[];
}

export function ringFolder(dataFolder: string): string {
  return join(dataFolder, 'ring');
}

/** First part of a segment's name: `20261125T14Z` for the hour, UTC. */
export function ringHour(wall_ms: number): string {
  return `${new Date(wall_ms).toISOString().slice(0, 13).replace(/-/g, '')}Z`;
}

/** True for names of segments; a tail is none. */
export function isSegment(name: string): boolean {
  return /^\d{8}T\d{2}Z(-\d+)?\.seg$/.test(name);
}

/** True for names of tails. */
export function isTail(name: string): boolean {
  return /^\d{8}T\d{2}Z(-\d+)?\.tail$/.test(name);
}

/** The how manieth of its hour a name is: 2 for `20261125T14Z-2.seg`; those without a number are the first. */
export function ringNumber(name: string): number {
  return Number(/-(\d+)\./.exec(name)?.[1] ?? 1);
}

/** The name of this hour, without its ending, that comes after every one that is there; removed ones leave a gap. */
export function nextRingName(hour: string, taken: readonly string[]): string {
  const used = taken.filter((name) => name.startsWith(hour) && (isSegment(name) || isTail(name)));
  const next = Math.max(0, ...used.map(ringNumber)) + 1;
  return next === 1 ? hour : `${hour}-${next}`;
}

export function encodeRingHead(header: RingHeader): Uint8Array {
  return encodeHead(ringHead.magic, ringHead.version, header);
}

/** Throws `DataError` when the head cannot be read. */
export function decodeRingHead(bytes: Uint8Array, name: string): { header: RingHeader; end: number } {
  const { description, end } = decodeHead(bytes, { ...ringHead, name });
  const fault = ringHeaderFault(description);
  if (fault !== null) throw new DataError(`${name}: the description at byte 20 ${fault}`);
  return { header: description as RingHeader, end };
}

/** What is wrong with a parsed description, in words; null when nothing is. */
function ringHeaderFault(description: unknown): string | null {
  const header = description as Partial<RingHeader> | null;
  if (typeof header !== 'object' || header === null) return `is ${JSON.stringify(header)}, no object`;
  const { boot, sequence, anchor, config, groups } = header;
  if (typeof boot !== 'string') return 'has no name of a run, "boot"';
  if (typeof sequence !== 'number') return 'has no number, "sequence"';
  if (typeof anchor?.time_s !== 'number' || typeof anchor.wall_ms !== 'number') return 'has no "anchor"';
  if (!Array.isArray(config?.channels)) return 'has no list "channels" in "config"';
  return Array.isArray(groups) ? groupsFault(groups) : 'has no list "groups"';
}
