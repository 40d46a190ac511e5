/**
 * The part of the disk ring that is being written: what is pending in memory, and the two files it goes to.
 *
 * Small chunks pack badly, and a second of a slow line is small. So each second goes to the tail first; once enough has
 * gathered, or the minute is over, it goes to the segment in large chunks and the tail begins anew.
 */
import { join } from 'node:path';
import { setImmediate as breathe } from 'node:timers/promises';
import type { RawBlock } from '../../drivers/driver.ts';
import type { Files, OpenFile } from '../store/files.ts';
import { encodeRingHead, nextRingName, type RingHeader, ringFolder, ringHour } from '../store/ring-format.ts';
import { coarsened } from '../store/ring-times.ts';
import { chunkNumbers, encodeChunk } from '../store/trace-chunk.ts';

/** So many numbers of one group are worth a chunk in the segment. */
const enoughNumbers = chunkNumbers / 2;
/** So many blocks as well: the table of a chunk is packed in one go. */
const enoughBlocks = 2048;
/** Numbers packed without letting the poller have its turn. */
const pieceNumbers = 16_384;
/** The tail begins anew after so long, in s. */
const tail_s = 60;

/** What is not in the segment yet, of one group. */
interface Pending {
  blocks: RawBlock[];
  numbers: number;
  /** Blocks from the front that are in the tail. */
  tailed: number;
}

interface OpenPair {
  readonly segment: OpenFile;
  readonly tailPath: string;
  readonly segmentPath: string;
  tail: OpenFile;
  tailSince_s: number;
  hasChunks: boolean;
  hasTail: boolean;
}

export class RingSegment {
  readonly header: RingHeader;
  /** Memory that the pending blocks hold, in bytes. */
  pending_bytes = 0;
  written_bytes = 0;
  private readonly dataFolder: string;
  private readonly files: Files;
  private readonly pending: Pending[];
  private pair: OpenPair | null = null;

  constructor(dataFolder: string, header: RingHeader, files: Files) {
    this.dataFolder = dataFolder;
    this.header = header;
    this.files = files;
    this.pending = header.groups.map(() => ({ blocks: [], numbers: 0, tailed: 0 }));
  }

  /** Takes a block of the rig's group `group`; it is not copied and must not change any more. */
  add(group: number, block: RawBlock): void {
    const own = this.pending[group];
    own.blocks.push(coarsened(block));
    own.numbers += block.raw.length;
    this.pending_bytes += memoryOf_bytes(block);
  }

  /** Whether neither a block nor a file belongs to it. */
  get isUntouched(): boolean {
    return this.isEmpty && this.pair === null;
  }

  /** Whether everything is in the segment. */
  get isEmpty(): boolean {
    return this.pending_bytes === 0;
  }

  /** All that was added before the call is on the medium when this has resolved. Not to be called twice at a time. */
  async commit(now_s: number): Promise<void> {
    await this.attempt(now_s, false);
  }

  /** As `commit`, with everything in the segment; closes both files. Nothing may be added after it. */
  async finish(now_s: number): Promise<void> {
    if (!this.isEmpty) await this.attempt(now_s, true);
    const { pair } = this;
    if (pair === null) return;
    this.pair = null;
    await closeAll([pair.segment, pair.tail]);
    await this.files.remove(pair.tailPath);
  }

  /** Blocks that are not in the segment, to be counted when they are given up. */
  scansPending(): number {
    return this.pending.reduce(
      (sum, { blocks }) => sum + blocks.reduce((scans, block) => scans + block.scans, 0),
      0,
    );
  }

  private async attempt(now_s: number, isLast: boolean): Promise<void> {
    try {
      this.pair ??= await this.open(now_s);
      await this.write(this.pair, now_s, isLast);
    } catch (error) {
      await this.abandon();
      throw error;
    }
  }

  private async write(pair: OpenPair, now_s: number, isLast: boolean): Promise<void> {
    const isMinuteOver = isLast || now_s - pair.tailSince_s >= tail_s;
    const taken: number[] = [];
    let isInSegment = false;
    let isInTail = false;
    for (const [group, own] of this.pending.entries()) {
      const count = own.blocks.length;
      const isEnough = isMinuteOver || own.numbers >= enoughNumbers || count >= enoughBlocks;
      taken.push(isEnough ? count : 0);
      if (isEnough) {
        isInSegment = (await this.put(pair.segment, group, own.blocks, 0, count)) || isInSegment;
      } else {
        isInTail = (await this.put(pair.tail, group, own.blocks, own.tailed, count)) || isInTail;
        own.tailed = count;
      }
    }
    if (isInTail) {
      await pair.tail.sync();
      pair.hasTail = true;
    }
    if (isInSegment) {
      await pair.segment.sync();
      pair.hasChunks = true;
      this.forget(taken);
    }
    if (isMinuteOver && !isLast) {
      pair.tailSince_s = now_s;
      if (pair.hasTail) await this.renewTail(pair);
    }
  }

  /** Writes blocks `from` to `to` in chunks; false when there are none. */
  private async put(
    file: OpenFile,
    group: number,
    blocks: readonly RawBlock[],
    from: number,
    to: number,
  ): Promise<boolean> {
    for (let first = from; first < to; ) {
      let end = first;
      let numbers = 0;
      do numbers += blocks[end++].raw.length;
      while (end < to && end - first < enoughBlocks && numbers + blocks[end].raw.length <= pieceNumbers);
      const bytes = await encodeChunk(this.header.groups[group], group, blocks.slice(first, end));
      await file.write(bytes);
      this.written_bytes += bytes.length;
      first = end;
      await breathe();
    }
    return to > from;
  }

  private forget(taken: readonly number[]): void {
    for (const [group, count] of taken.entries()) {
      const own = this.pending[group];
      for (const block of own.blocks.slice(0, count)) {
        own.numbers -= block.raw.length;
        this.pending_bytes -= memoryOf_bytes(block);
      }
      own.blocks = own.blocks.slice(count);
      own.tailed = Math.max(0, own.tailed - count);
    }
  }

  private async open(now_s: number): Promise<OpenPair> {
    const folder = ringFolder(this.dataFolder);
    await this.files.makeFolder(folder);
    const name = nextRingName(ringHour(this.header.anchor.wall_ms), await this.files.list(folder));
    const segmentPath = join(folder, `${name}.seg`);
    const tailPath = join(folder, `${name}.tail`);
    const opened: OpenFile[] = [];
    try {
      for (const path of [segmentPath, tailPath]) {
        const file = await this.files.create(path);
        opened.push(file);
        await file.write(encodeRingHead(this.header));
        await file.sync();
      }
      await this.files.syncFolder(folder);
      await this.files.syncFolder(this.dataFolder);
    } catch (error) {
      await closeAll(opened);
      await this.files.remove(segmentPath);
      await this.files.remove(tailPath);
      throw error;
    }
    const [segment, tail] = opened as [OpenFile, OpenFile];
    for (const own of this.pending) own.tailed = 0;
    return { segment, tail, segmentPath, tailPath, tailSince_s: now_s, hasChunks: false, hasTail: false };
  }

  private async renewTail(pair: OpenPair): Promise<void> {
    const old = pair.tail;
    pair.tail = await this.files.create(pair.tailPath);
    await old.close();
    await pair.tail.write(encodeRingHead(this.header));
    pair.hasTail = false;
  }

  /** After a failure nobody knows how the files end: what is whole in them stays, the next try takes new ones. */
  private async abandon(): Promise<void> {
    const { pair } = this;
    if (pair === null) return;
    this.pair = null;
    await closeAll([pair.segment, pair.tail]);
    // A disk that is full for a night would otherwise gather one empty pair a second.
    if (!pair.hasTail) await this.files.remove(pair.tailPath);
    if (!pair.hasChunks && !pair.hasTail) await this.files.remove(pair.segmentPath);
  }
}

/** One that cannot be closed does not keep the others open; its error is thrown at the end. */
async function closeAll(files: readonly OpenFile[]): Promise<void> {
  const ends = await Promise.allSettled(files.map((file) => file.close()));
  for (const end of ends) if (end.status === 'rejected') throw end.reason;
}

/** Numbers, quality and the object itself, roughly. */
function memoryOf_bytes({ raw, quality }: RawBlock): number {
  return raw.byteLength + quality.byteLength + 300;
}
