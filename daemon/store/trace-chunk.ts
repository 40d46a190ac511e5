/**
 * A chunk: some blocks of one group, packed so that it can be decoded without the rest of its file. Little-endian.
 *
 *   u32 `TWck` | u16 group | u8 codec | u8 encoding | u16 channels | u16 blocks | u32 scans
 *   u32 bytes of the block table | u32 bytes of the numbers | f64 time_s of the first scan
 *   u32 CRC-32 of both parts | u32 CRC-32 of the 40 bytes before | block table | numbers
 *
 *   block table: raw deflate of zigzag varints, see `trace-blocks.ts`
 *   numbers:     raw deflate, column by column, by codec
 *                1 differences of int32 as zigzag varints; 2 float64 with the bytes of equal weight together
 *
 * Traces of events and segments of the disk ring are made of these, behind a head with a description in JSON.
 */
import { promisify } from 'node:util';
import { constants, crc32, deflateRaw, inflateRawSync, type ZlibOptions } from 'node:zlib';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';
import { DataError } from '../errors.ts';
import { decodeBlockTable, encodeBlockTable } from './trace-blocks.ts';
import { VarintReader, VarintWriter } from './varint.ts';

const chunkMagic = 0x6b_63_57_54;
export const chunkHeaderBytes = 44;
/** Numbers a chunk holds at most: large enough for deflate, small enough that encoding one takes about 1 ms. */
export const chunkNumbers = 32_768;
/** Deflate cannot shrink further than this (RFC 1951: 258 bytes from two bits): more is no file of ours. */
const mostInflation_ratio = 1032;
const codecs = { differences: 1, shuffled: 2 } as const;
const encodings = { i32: 1, f64: 2 } as const;

const deflate = promisify<Uint8Array, ZlibOptions, Buffer>(deflateRaw);

/** The head of a file of chunks: `magic` (8 letters) | u32 version | u32 length of the JSON | u32 CRC-32 of it | JSON. */
export function encodeHead(magic: string, version: number, description: unknown): Uint8Array {
  const json = Buffer.from(JSON.stringify(description), 'utf8');
  const bytes = Buffer.alloc(headBytes + json.length);
  bytes.write(magic, 0, 'latin1');
  bytes.writeUInt32LE(version, 8);
  bytes.writeUInt32LE(json.length, 12);
  bytes.writeUInt32LE(crc32(json), 16);
  json.copy(bytes, headBytes);
  return bytes;
}

/** A chunk with more numbers is none of ours: one block a chunk, and no driver makes blocks so long. */
const mostChunkNumbers = 2 ** 22;

/** Bytes of a head before its description. */
export const headBytes = 20;

/** The reverse of `encodeHead`; `end` is where the chunks begin. Throws `DataError` that begins with `name`. */
export function decodeHead(
  bytes: Uint8Array,
  { magic, version, what, name }: { magic: string; version: number; what: string; name: string },
): { description: unknown; end: number } {
  const fail = (why: string) => new DataError(`${name}: ${why}`);
  const buffer = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (buffer.length < headBytes || buffer.toString('latin1', 0, 8) !== magic) {
    throw fail(
      `begins with ${JSON.stringify(buffer.toString('latin1', 0, 8))}, a ${what} begins with "${magic}"`,
    );
  }
  const found = buffer.readUInt32LE(8);
  if (found !== version) throw fail(`is ${what} version ${found}; this software reads version ${version}`);
  const end = headBytes + buffer.readUInt32LE(12);
  const json = buffer.subarray(headBytes, end);
  if (end > buffer.length || crc32(json) !== buffer.readUInt32LE(16)) {
    throw fail('the description at byte 20 is damaged (CRC-32 differs)');
  }
  try {
    return { description: JSON.parse(json.toString('utf8')), end };
  } catch (error) {
    throw new DataError(`${name}: the description at byte 20 is no JSON`, { cause: error });
  }
}

/** What stands before the two parts of a chunk, and views of them. */
export interface ChunkHeader {
  readonly group: number;
  readonly codec: number;
  readonly encoding: number;
  readonly channels: number;
  readonly blocks: number;
  readonly scans: number;
  readonly time_s: number;
  readonly table: Uint8Array;
  readonly data: Uint8Array;
}

/** Packs blocks of one group, oldest first; compression runs outside the calling thread. */
export async function encodeChunk(
  spec: GroupSpec,
  group: number,
  blocks: readonly RawBlock[],
): Promise<Uint8Array> {
  const channels = spec.channels.length;
  const scans = blocks.reduce((sum, block) => sum + block.scans, 0);
  const values =
    spec.encoding === 'i32' ? new Int32Array(scans * channels) : new Float64Array(scans * channels);
  let at = 0;
  for (const block of blocks) {
    values.set(block.raw, at);
    at += block.scans * channels;
  }
  const isShuffled = values instanceof Float64Array && !areAllInt32(values);
  const codec = isShuffled ? codecs.shuffled : codecs.differences;
  const packed = isShuffled ? shuffle(values, channels) : packDifferences(values, channels, scans);
  const [table, data] = await Promise.all([deflate(encodeBlockTable(blocks), {}), smallest(packed)]);
  const bytes = new Uint8Array(chunkHeaderBytes + table.length + data.length);
  const encoding = encodings[spec.encoding];
  const { time_s } = blocks[0];
  writeChunkHeader(bytes, {
    group,
    codec,
    encoding,
    channels,
    blocks: blocks.length,
    scans,
    time_s,
    table,
    data,
  });
  return bytes;
}

/** Noise has no repeats to be found, and looking for them costs size; steady columns have little else. */
async function smallest(packed: Uint8Array): Promise<Buffer> {
  const [repeats, noise] = await Promise.all([
    deflate(packed, {}),
    deflate(packed, { strategy: constants.Z_HUFFMAN_ONLY, memLevel: 9 }),
  ]);
  return noise.length < repeats.length ? noise : repeats;
}

/** Writes the header and both parts into `bytes`, which has exactly their size. */
export function writeChunkHeader(bytes: Uint8Array, chunk: ChunkHeader): void {
  const view = new DataView(bytes.buffer);
  view.setUint32(0, chunkMagic, true);
  view.setUint16(4, chunk.group, true);
  bytes[6] = chunk.codec;
  bytes[7] = chunk.encoding;
  view.setUint16(8, chunk.channels, true);
  view.setUint16(10, chunk.blocks, true);
  view.setUint32(12, chunk.scans, true);
  view.setUint32(16, chunk.table.length, true);
  view.setUint32(20, chunk.data.length, true);
  view.setFloat64(24, chunk.time_s, true);
  bytes.set(chunk.table, chunkHeaderBytes);
  bytes.set(chunk.data, chunkHeaderBytes + chunk.table.length);
  view.setUint32(36, crc32(bytes.subarray(chunkHeaderBytes)), true);
  view.setUint32(40, crc32(bytes.subarray(0, 40)), true);
}

/** A chunk in a file: `end` is where the next begins, `crc` the one that both parts must have. */
export interface FoundChunk extends ChunkHeader {
  readonly end: number;
  readonly crc: number;
}

/** Where a chunk is and what its header says for finding it; its parts may be cut off. */
export interface ChunkPlace {
  readonly group: number;
  readonly time_s: number;
  /** Where its numbers begin, and where the next chunk does. */
  readonly data: number;
  readonly end: number;
}

/** The place of the chunk whose header is at `at`, or why there is none. */
export function readChunkPlace(bytes: Uint8Array, at: number): ChunkPlace | string {
  if (at + chunkHeaderBytes > bytes.length) return 'a chunk is cut off in its header';
  const view = new DataView(bytes.buffer, bytes.byteOffset + at, chunkHeaderBytes);
  if (view.getUint32(0, true) !== chunkMagic) return 'no chunk begins here';
  if (view.getUint32(40, true) !== crc32(bytes.subarray(at, at + 40))) return 'a chunk header is damaged';
  const data = at + chunkHeaderBytes + view.getUint32(16, true);
  const end = data + view.getUint32(20, true);
  return { group: view.getUint16(4, true), time_s: view.getFloat64(24, true), data, end };
}

/** The chunk at `at`, or why there is none. */
export function readChunkHeader(bytes: Uint8Array, at: number): FoundChunk | string {
  const place = readChunkPlace(bytes, at);
  if (typeof place === 'string') return place;
  const { data, end } = place;
  if (end > bytes.length) return 'a chunk is cut off';
  const view = new DataView(bytes.buffer, bytes.byteOffset + at, chunkHeaderBytes);
  return {
    group: place.group,
    codec: view.getUint8(6),
    encoding: view.getUint8(7),
    channels: view.getUint16(8, true),
    blocks: view.getUint16(10, true),
    scans: view.getUint32(12, true),
    time_s: place.time_s,
    crc: view.getUint32(36, true),
    table: bytes.subarray(at + chunkHeaderBytes, data),
    data: bytes.subarray(data, end),
    end,
  };
}

/** Offset of the next chunk whose header is sound, at or after `from`; the file's length when there is none. */
export function findChunk(bytes: Uint8Array, from: number): number {
  for (let at = from; at + chunkHeaderBytes <= bytes.length; at++) {
    if (bytes[at] === 0x54 && typeof readChunkHeader(bytes, at) !== 'string') return at;
  }
  return bytes.length;
}

/** Throws `RangeError` when a chunk is damaged or of none of `groups`. */
function mustBeSound(groups: readonly GroupSpec[], chunk: FoundChunk): void {
  if (crc32(chunk.data, crc32(chunk.table)) !== chunk.crc)
    throw new RangeError('a chunk is damaged (CRC-32 differs)');
  const spec = groups[chunk.group];
  if (spec === undefined)
    throw new RangeError(`a chunk names group ${chunk.group}, the header has ${groups.length}`);
  const { channels } = chunk;
  if (spec.channels.length !== channels) {
    throw new RangeError(`a chunk has ${channels} columns, group ${spec.id} has ${spec.channels.length}`);
  }
}

/** Unpacks a chunk of one of `groups`. Throws `RangeError` when it is damaged. */
export function decodeChunk(groups: readonly GroupSpec[], chunk: FoundChunk): RawBlock[] {
  mustBeSound(groups, chunk);
  const { channels, scans } = chunk;
  if (scans * channels > mostChunkNumbers || scans * channels > chunk.data.length * mostInflation_ratio)
    throw new RangeError(`a chunk of ${chunk.data.length} bytes cannot hold ${scans} scans`);
  const values =
    chunk.encoding === encodings.i32 ? new Int32Array(scans * channels) : new Float64Array(scans * channels);
  const packed = inflateRawSync(chunk.data, { maxOutputLength: scans * channels * 8 + 64 });
  if (chunk.codec === codecs.differences) {
    const reader = new VarintReader(packed);
    for (let channel = 0; channel < channels; channel++) reader.readColumn(values, channel, channels, scans);
  } else if (chunk.codec === codecs.shuffled) {
    unshuffle(packed, values as Float64Array, channels, scans);
  } else {
    throw new RangeError(`codec ${chunk.codec} is unknown; this software knows 1 and 2`);
  }
  return decodeBlockTable(inflateTable(chunk), chunk, values);
}

/** Blocks of a chunk without their numbers: `raw` is empty. For counting. Throws `RangeError` when it is damaged. */
export function decodeBlocksOnly(groups: readonly GroupSpec[], chunk: FoundChunk): RawBlock[] {
  mustBeSound(groups, chunk);
  return decodeBlockTable(inflateTable(chunk), chunk, new Int32Array(0));
}

function inflateTable({ table, blocks, scans }: FoundChunk): Uint8Array {
  return inflateRawSync(table, { maxOutputLength: blocks * 64 + scans * 16 + 64 });
}

function areAllInt32(values: Float64Array): boolean {
  for (let i = 0; i < values.length; i++) {
    // Minus zero would come back as zero.
    if ((values[i] | 0) !== values[i] || Object.is(values[i], -0)) return false;
  }
  return true;
}

function packDifferences(values: ArrayLike<number>, channels: number, scans: number): Uint8Array {
  const writer = new VarintWriter(values.length * 2);
  for (let channel = 0; channel < channels; channel++) writer.writeColumn(values, channel, channels, scans);
  return writer.view();
}

/** Column by column, byte 0 of every number, then byte 1, ...: bytes that change alike lie together. */
function shuffle(values: Float64Array, channels: number): Uint8Array {
  const from = new Uint8Array(values.buffer, values.byteOffset, values.byteLength);
  const packed = new Uint8Array(from.length);
  let at = 0;
  for (let channel = 0; channel < channels; channel++) {
    for (let byte = 0; byte < 8; byte++) {
      for (let k = channel * 8 + byte; k < from.length; k += channels * 8) packed[at++] = from[k];
    }
  }
  return packed;
}

function unshuffle(packed: Uint8Array, values: Float64Array, channels: number, scans: number): void {
  if (packed.length !== scans * channels * 8)
    throw new RangeError('a chunk holds fewer numbers than it says');
  const into = new Uint8Array(values.buffer);
  let at = 0;
  for (let channel = 0; channel < channels; channel++) {
    for (let byte = 0; byte < 8; byte++) {
      for (let k = channel * 8 + byte; k < into.length; k += channels * 8) into[k] = packed[at++];
    }
  }
}
