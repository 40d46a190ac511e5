/** The disk ring as power cuts, bad sectors and hostile hands leave it: segments and tails, damaged with and without right checksums. */
import { basename } from 'node:path';
import { disk, type Files } from '../../daemon/store/files.ts';
import { encodeRingHead, type RingHeader } from '../../daemon/store/ring-format.ts';
import { readRing, tallyRing } from '../../daemon/store/ring-read.ts';
import { encodeChunk, headBytes } from '../../daemon/store/trace-chunk.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import { ringGroups as groups } from '../support/ring-blocks.ts';
import { forge, forgeHead } from './files.ts';
import { mutate, Random } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

const header: RingHeader = {
  format: 'tripwave-ring',
  version: 1,
  software: 'fuzz',
  boot: 'boot',
  sequence: 0,
  anchor: { time_s: 1000, wall_ms: 1.8e12 },
  config: recorderRig(),
  groups,
};
const segmentName = '20261125T10Z.seg';
const tailName = '20261125T10Z.tail';
const everything = { from_ms: Number.NEGATIVE_INFINITY, to_ms: Number.POSITIVE_INFINITY };

/** What a small ring may give at most, however it was damaged, in numbers. */
const mostNumbers = 2 ** 24;

interface Ring {
  readonly segment: Buffer;
  readonly tail: Buffer;
  /** What was written, by group and first scan. */
  readonly blocks: ReadonlyMap<string, RawBlock>;
}

const keyOf = ({ group, scan }: RawBlock) => `${group} ${scan}`;

/** A small whole ring; some of its blocks are in both files, as the recorder writes them. */
async function wholeRing(random: Random): Promise<Ring> {
  const blocks = new Map<string, RawBlock>();
  const parts: { segment: Uint8Array[]; tail: Uint8Array[] } = { segment: [], tail: [] };
  for (const [group, spec] of groups.entries()) {
    let scan = 0;
    for (let chunk = 1 + random.below(4); chunk > 0; chunk--) {
      const own: RawBlock[] = [];
      for (let k = 1 + random.below(3); k > 0; k--) {
        const lostBefore = random.oneIn(4) ? random.below(9) : 0;
        scan += lostBefore;
        const block = randomBlock(random, group, scan, lostBefore);
        own.push(block);
        blocks.set(keyOf(block), block);
        scan += block.scans;
      }
      const bytes = await encodeChunk(spec, group, own);
      const where = random.below(3);
      if (where !== 1) parts.segment.push(bytes);
      // The tail holds what came last, so nothing that is in it alone stands before what is in the segment.
      if (where !== 0 && chunk === 1) parts.tail.push(bytes);
      else if (where === 1) parts.segment.push(bytes);
    }
  }
  const head = encodeRingHead(header);
  return {
    segment: Buffer.concat([head, ...parts.segment]),
    tail: Buffer.concat([head, ...parts.tail]),
    blocks,
  };
}

function randomBlock(random: Random, group: number, scan: number, lostBefore: number): RawBlock {
  const scans = 1 + random.below(20);
  const numbers = scans * groups[group]!.channels.length;
  const raw = groups[group]!.encoding === 'i32' ? new Int32Array(numbers) : new Float64Array(numbers);
  for (let i = 0; i < numbers; i++) raw[i] = random.bits() >> 20;
  if (raw instanceof Float64Array && random.oneIn(2)) raw[0] = random.bits() / 7;
  const quality = new Uint8Array(scans).fill(random.oneIn(3) ? random.below(8) : 0);
  const interval_s = groups[group]!.nominalInterval_s;
  const time_s = 1000 + scan * interval_s;
  return { group, scan, scans, time_s, interval_s, halfWidth_s: 0, raw, quality, lostBefore };
}

function inMemory(segment: Uint8Array, tail: Uint8Array): Files {
  const bytesOf = (path: string) => (basename(path) === tailName ? tail : segment);
  return {
    ...disk,
    list: async () => [segmentName, tailName],
    read: async (path) => bytesOf(path),
    openToRead: async (path) => ({
      size_bytes: async () => bytesOf(path).length,
      read: async (at, length) => bytesOf(path).subarray(at, at + length),
      close: async () => undefined,
    }),
  };
}

/** Scans that the reader gives. With `written` each block must be one of those; without, checksums may lie, and it must be whole. */
async function readScans(files: Files, written: ReadonlyMap<string, RawBlock> | null): Promise<number> {
  const next = new Map<string, number>();
  let scans = 0;
  let numbers = 0;
  for await (const { header: own, block } of readRing('', everything, files)) {
    const { group, raw, quality, time_s, interval_s, halfWidth_s, lostBefore } = block;
    if (raw.length !== block.scans * own.groups[group]!.channels.length || quality.length !== block.scans)
      throw new Error('a block is not whole');
    if (![block.scan, block.scans, time_s, interval_s, halfWidth_s, lostBefore].every(Number.isFinite))
      throw new Error(`scan ${block.scan} at ${time_s} s`);
    // A forged head may give a group another name.
    const key = `${own.boot} ${own.groups[group]!.line} ${own.groups[group]!.id}`;
    if (block.scan < (next.get(key) ?? 0)) throw new Error(`scan ${block.scan} came twice`);
    next.set(key, block.scan + block.scans);
    scans += block.scans;
    numbers += raw.length;
    if (numbers > mostNumbers) throw new Error(`${numbers} numbers came out`);
    if (written !== null) mustBe(block, written.get(keyOf(block)));
  }
  return scans;
}

function mustBe(block: RawBlock, written: RawBlock | undefined): void {
  const isSame =
    written !== undefined &&
    block.scans === written.scans &&
    block.raw.every((value, i) => value === written.raw[i]) &&
    block.quality.every((bits, i) => bits === written.quality[i]);
  if (!isSame)
    throw new Error(`a block came out that was never written: group ${block.group}, scan ${block.scan}`);
}

/** Damage behind the head, which is longer than the rest and would take most of it. */
function mutateChunks(file: Buffer, random: Random): Uint8Array {
  const end = headBytes + file.readUInt32LE(12);
  return Buffer.concat([file.subarray(0, end), mutate(file.subarray(end), random)]);
}

/** Two files of a ring, and whether every checksum in them tells the truth. */
function damaged(ring: Ring, random: Random): { segment: Uint8Array; tail: Uint8Array; isForged: boolean } {
  const { segment, tail } = ring;
  switch (random.below(8)) {
    case 0:
      return { segment: forge(segment, random), tail, isForged: true };
    case 1:
      return { segment, tail: forgeHead(tail, random, header), isForged: true };
    case 2:
      return { segment: forgeHead(segment, random, header), tail, isForged: true };
    case 3:
      return { segment: random.fill(new Uint8Array(random.below(400))), tail, isForged: false };
    case 4:
      return { segment: mutateChunks(segment, random), tail: mutate(tail, random), isForged: false };
    case 5:
      return { segment: mutate(segment, random), tail: mutateChunks(tail, random), isForged: false };
    default:
      return { segment: mutateChunks(segment, random), tail, isForged: false };
  }
}

async function fuzzRing(seed: number, count: number, progress: (done: number) => void): Promise<FuzzCounts> {
  const random = new Random(seed);
  const totals = { accepted: 0, forged: 0, scans: 0, scansWritten: 0 };
  for (let done = 0; done < count; ) {
    const ring = await wholeRing(random);
    let written = 0;
    for (const { scans } of ring.blocks.values()) written += scans;
    const whole = await readScans(inMemory(ring.segment, ring.tail), ring.blocks);
    if (whole !== written) throw new Error(`${written} scans were written, ${whole} came back`);
    for (let k = 0; k < 200 && done < count; k++, done++) {
      const { segment, tail, isForged } = damaged(ring, random);
      const files = inMemory(segment, tail);
      const scans = await readScans(files, isForged ? null : ring.blocks);
      const tallies = await tallyRing('', everything, files);
      const counted = tallies.reduce((sum, { scansRecorded }) => sum + scansRecorded, 0);
      if (!isForged && counted !== scans) throw new Error(`${scans} scans are there, ${counted} are counted`);
      if (isForged) totals.forged++;
      else {
        totals.scans += scans;
        totals.scansWritten += written;
      }
      if (scans > 0) totals.accepted++;
    }
    progress(done);
  }
  return totals;
}

export const ringTargets: readonly FuzzTarget[] = [
  { name: 'ring', count: 1_000_000, smallCount: 3000, run: fuzzRing },
];
