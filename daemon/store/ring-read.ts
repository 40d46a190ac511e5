/** Reads the disk ring, also while a recorder writes into it and after a power cut. */
import { basename, join } from 'node:path';
import type { RawBlock } from '../../drivers/driver.ts';
import { monotonicAt_s } from '../clock.ts';
import { DataError } from '../errors.ts';
import { disk, type Files, isMissing, type ReadableFile } from './files.ts';
import { decodeRingHead, isSegment, isTail, type RingHeader, ringFolder, ringNumber } from './ring-format.ts';
import {
  type ChunkPlace,
  chunkHeaderBytes,
  decodeBlocksOnly,
  decodeChunk,
  type FoundChunk,
  headBytes,
  readChunkHeader,
  readChunkPlace,
} from './trace-chunk.ts';

/** A head longer than this is none; larger rigs have some 10 kB. */
const mostHead_bytes = 16 * 2 ** 20;

/** A file of the ring: a segment, or the tail of one. */
export interface RingFile {
  readonly path: string;
  readonly isTail: boolean;
  readonly header: RingHeader;
  /** Where the chunks begin. */
  readonly start: number;
  readonly size_bytes: number;
}

/** Half-open, on the wall clock of the segments or on the monotonic clock of one run of the recorder. */
export type RingWindow =
  | { readonly from_ms: number; readonly to_ms: number }
  | { readonly boot: string; readonly from_s: number; readonly to_s: number };

/** A block and the segment that says what it is. `block.group` is an index of `header.groups`. */
export interface RingBlock {
  readonly header: RingHeader;
  readonly block: RawBlock;
}

/** How whole one group of one run is in the ring. `scansRecorded + scansLost + scansMissing` closes on the scan numbers. */
export interface RingTally {
  readonly boot: string;
  readonly line: string;
  readonly group: string;
  /** First scan number, and one past the last. */
  readonly firstScan: number;
  readonly endScan: number;
  readonly firstTime_s: number;
  readonly endTime_s: number;
  scansRecorded: number;
  /** Lost on the way to the recorder, by count of the driver. */
  scansLost: number;
  /** Received and not in the ring: refused by the disk, outrun, or in a damaged chunk. */
  scansMissing: number;
}

/** Every file of the ring in the order of its data; a tail follows its segment. Files that are no ring are passed over. */
export async function listRing(dataFolder: string, files: Files = disk): Promise<RingFile[]> {
  const folder = ringFolder(dataFolder);
  const found: RingFile[] = [];
  for (const name of await files.list(folder)) {
    if (!isSegment(name) && !isTail(name)) continue;
    const file = await ringFile(join(folder, name), isTail(name), files);
    if (file !== null) found.push(file);
  }
  const begins = new Map<string, number>();
  for (const { header } of found) {
    const begin_ms = begins.get(header.boot) ?? Number.POSITIVE_INFINITY;
    begins.set(header.boot, Math.min(begin_ms, header.anchor.wall_ms));
  }
  return found.sort(
    (a, b) =>
      begins.get(a.header.boot)! - begins.get(b.header.boot)! ||
      a.header.boot.localeCompare(b.header.boot) ||
      a.header.sequence - b.header.sequence ||
      ringNumber(basename(a.path)) - ringNumber(basename(b.path)) ||
      Number(a.isTail) - Number(b.isTail),
  );
}

/**
 * Every block that overlaps the window, whole, each once; groups ascend in scan. Chunks that are damaged or torn are left
 * out: the scan numbers show the gap.
 */
export async function* readRing(
  dataFolder: string,
  window: RingWindow,
  files: Files = disk,
): AsyncGenerator<RingBlock, void, undefined> {
  yield* walk(dataFolder, window, files, (header, chunk) => decodeChunk(header.groups, chunk));
}

/** What is recorded and what is lost, per run, line and group, over the window; the whole ring without one. */
export async function tallyRing(
  dataFolder: string,
  window: RingWindow = { from_ms: Number.NEGATIVE_INFINITY, to_ms: Number.POSITIVE_INFINITY },
  files: Files = disk,
): Promise<RingTally[]> {
  const tallies = new Map<string, RingTally & { endScan: number; endTime_s: number }>();
  for await (const { header, block } of walk(dataFolder, window, files, ({ groups }, chunk) =>
    decodeBlocksOnly(groups, chunk),
  )) {
    const { line, id } = header.groups[block.group];
    const key = keyOf(header, block.group);
    const end = {
      endScan: block.scan + block.scans,
      endTime_s: block.time_s + block.scans * block.interval_s,
    };
    const tally = tallies.get(key);
    if (tally === undefined) {
      const first = { firstScan: block.scan, firstTime_s: block.time_s };
      const counts = { scansRecorded: block.scans, scansLost: 0, scansMissing: 0 };
      tallies.set(key, { boot: header.boot, line, group: id, ...first, ...end, ...counts });
      continue;
    }
    const gap = block.scan - tally.endScan;
    const lost = Math.min(gap, block.lostBefore);
    tally.scansRecorded += block.scans;
    tally.scansLost += lost;
    tally.scansMissing += gap - lost;
    Object.assign(tally, end);
  }
  return [...tallies.values()];
}

/** When the newest chunk of a file begins, in s on the clock of its run; null when it holds none. Reads headers only. */
export async function lastChunk_s(file: RingFile, files: Files = disk): Promise<number | null> {
  const source = await files.openToRead(file.path);
  try {
    let last_s: number | null = null;
    for await (const { time_s } of placesIn(source, file.start, await source.size_bytes()))
      last_s = Math.max(last_s ?? Number.NEGATIVE_INFINITY, time_s);
    return last_s;
  } finally {
    await source.close();
  }
}

/** Bytes at the end of a file that are no whole chunk: what a power cut tore. */
export async function tornBytes(file: RingFile, files: Files = disk): Promise<number> {
  const source = await files.openToRead(file.path);
  try {
    const size = await source.size_bytes();
    let whole = file.start;
    for await (const { end } of placesIn(source, file.start, size)) whole = end;
    return size - whole;
  } finally {
    await source.close();
  }
}

async function* walk(
  dataFolder: string,
  window: RingWindow,
  files: Files,
  decode: (header: RingHeader, chunk: FoundChunk) => RawBlock[],
): AsyncGenerator<RingBlock, void, undefined> {
  const next = new Map<string, number>();
  const listed = (await listRing(dataFolder, files)).filter((file, at, all) =>
    mayHold(file, all, at, window),
  );
  // A tail may begin anew while its segment is read: had first, the two together miss nothing.
  const tails = new Map<string, Uint8Array>();
  for (const file of listed) {
    if (file.isTail) tails.set(file.path, await readOrNothing(file.path, files));
  }
  for (const file of listed) {
    const { header } = file;
    const { from_s, to_s } = onClockOf(header, window);
    const limits = { from_s, to_s, groups: header.groups.length };
    for await (const chunk of chunksOf(file, tails.get(file.path) ?? null, limits, files)) {
      for (const block of decodeOrNothing(() => decode(header, chunk))) {
        if (block.time_s >= to_s || block.time_s + (block.scans - 1) * block.interval_s < from_s) continue;
        const key = keyOf(header, block.group);
        if (block.scan < (next.get(key) ?? 0)) continue;
        next.set(key, block.scan + block.scans);
        yield { header, block };
      }
    }
  }
}

interface Limits {
  readonly from_s: number;
  readonly to_s: number;
  readonly groups: number;
}

/** Sound chunks that may hold something of the window. A chunk is over when the next of its group begins. */
async function* chunksOf(
  file: RingFile,
  tail: Uint8Array | null,
  limits: Limits,
  files: Files,
): AsyncGenerator<FoundChunk, void, undefined> {
  let source: ReadableFile;
  try {
    source = tail === null ? await files.openToRead(file.path) : inMemory(tail);
  } catch (error) {
    // Retention took it meanwhile.
    if (isMissing(error)) return;
    throw error;
  }
  try {
    const size = await source.size_bytes();
    const places: FoundPlace[] = [];
    for await (const place of placesIn(source, file.start, size)) places.push(place);
    const end_s = new Array<number>(limits.groups).fill(Number.POSITIVE_INFINITY);
    const wanted = places.map(() => false);
    for (let k = places.length - 1; k >= 0; k--) {
      const { time_s, group } = places[k];
      wanted[k] = time_s < limits.to_s && (end_s[group] ?? 0) >= limits.from_s;
      end_s[group] = time_s;
    }
    for (const [k, { at, end }] of places.entries()) {
      if (!wanted[k]) continue;
      const chunk = readChunkHeader(await source.read(at, end - at), 0);
      if (typeof chunk !== 'string') yield chunk;
    }
  } finally {
    await source.close();
  }
}

interface FoundPlace extends Omit<ChunkPlace, 'data'> {
  readonly at: number;
}

/** The whole chunks with sound headers between `start` and `size`, in order; of a chunk nothing but its header is read. */
async function* placesIn(
  source: ReadableFile,
  start: number,
  size: number,
): AsyncGenerator<FoundPlace, void, undefined> {
  for (let at = start; at + chunkHeaderBytes <= size; ) {
    const place = readChunkPlace(await source.read(at, chunkHeaderBytes), 0);
    if (typeof place === 'string' || at + place.end > size) {
      at = await resync(source, at + 1, size);
      continue;
    }
    const { group, time_s } = place;
    const end = at + place.end;
    yield { at, group, time_s, end };
    at = end;
  }
}

/** Where the next sound chunk begins after damage; the end when there is none. */
async function resync(source: ReadableFile, from: number, size: number): Promise<number> {
  const step = 2 ** 20;
  for (let at = from; at < size; at += step) {
    const bytes = await source.read(at, step + chunkHeaderBytes);
    for (let k = 0; k < step && k + chunkHeaderBytes <= bytes.length; k++) {
      if (bytes[k] === 0x54 && typeof readChunkPlace(bytes, k) !== 'string') return at + k;
    }
  }
  return size;
}

/** A damaged chunk holds nothing; the scan numbers show what is missing. */
function decodeOrNothing(decode: () => RawBlock[]): RawBlock[] {
  try {
    return decode();
  } catch (error) {
    // zlib's own errors and ours say the same: these bytes are not what was written.
    if (error instanceof RangeError || (error instanceof Error && 'code' in error)) return [];
    throw error;
  }
}

function inMemory(bytes: Uint8Array): ReadableFile {
  return {
    size_bytes: async () => bytes.length,
    read: async (at, length) => bytes.subarray(at, at + length),
    close: async () => undefined,
  };
}

async function readOrNothing(path: string, files: Files): Promise<Uint8Array> {
  try {
    return await files.read(path);
  } catch (error) {
    if (isMissing(error)) return new Uint8Array(0);
    throw error;
  }
}

async function ringFile(path: string, tail: boolean, files: Files): Promise<RingFile | null> {
  try {
    const file = await files.openToRead(path);
    try {
      const size_bytes = await file.size_bytes();
      const first = Buffer.from(await file.read(0, headBytes));
      if (first.length < headBytes) return null;
      const length = Math.min(mostHead_bytes, size_bytes, first.readUInt32LE(12));
      const { header, end } = decodeRingHead(await file.read(0, headBytes + length), path);
      return { path, isTail: tail, header, start: end, size_bytes };
    } finally {
      await file.close();
    }
  } catch (error) {
    // Taken by retention meanwhile, or torn in its head: nothing in it can be read.
    if (isMissing(error) || error instanceof DataError) return null;
    throw error;
  }
}

/** Lines deliver in their own time: a segment may hold blocks so much older or younger than its limits, in s. */
const slack_s = 120;

/** By the anchors alone, so that months of segments need not be opened: a segment is over when the next one of its run begins. */
function mayHold({ header }: RingFile, all: readonly RingFile[], at: number, window: RingWindow): boolean {
  const { boot, sequence, anchor } = header;
  if ('boot' in window && boot !== window.boot) return false;
  const { from_s, to_s } = onClockOf(header, window);
  if (anchor.time_s - slack_s > to_s) return false;
  let next = at + 1;
  while (next < all.length && all[next].header.boot === boot && all[next].header.sequence === sequence)
    next++;
  const successor = all[next]?.header;
  return successor?.boot !== boot || successor.anchor.time_s + slack_s >= from_s;
}

/** The window on the clock of the run that a segment is of, in s. */
export function onClockOf({ anchor }: RingHeader, window: RingWindow): { from_s: number; to_s: number } {
  if ('boot' in window) return window;
  return {
    from_s: monotonicAt_s(anchor, window.from_ms),
    to_s: monotonicAt_s(anchor, window.to_ms),
  };
}

function keyOf(header: RingHeader, group: number): string {
  const { line, id } = header.groups[group];
  return `${header.boot}\n${line}\n${id}`;
}
