/**
 * trace.bin: raw numbers of every group over one window. Little-endian.
 *
 *   `TRIPWAVE` | u32 version | u32 length of the JSON | u32 CRC-32 of the JSON | JSON (TraceHeader)
 *   chunk *    | end chunk (group 0xFFFF, its `scans` = number of chunks before it)
 *
 *   chunk:  u32 `TWck` | u16 group | u8 codec | u8 encoding | u16 channels | u16 blocks | u32 scans
 *           u32 bytes of the block table | u32 bytes of the numbers | f64 time_s of the first scan
 *           u32 CRC-32 of both parts | u32 CRC-32 of the 40 bytes before | block table | numbers
 *   block table: raw deflate of zigzag varints, see `trace-blocks.ts`
 *   numbers:     raw deflate, column by column, by codec
 *                1 differences of int32 as zigzag varints; 2 float64 with the bytes of equal weight together
 *
 * A chunk can be decoded without the rest of the file: damage costs the chunks it touches.
 */
import { promisify } from 'node:util';
import { crc32, deflateRaw, inflateRawSync } from 'node:zlib';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';
import { DataError } from '../errors.ts';
import { decodeBlockTable, encodeBlockTable } from './trace-blocks.ts';
import { VarintReader, VarintWriter } from './varint.ts';

const magic = 'TRIPWAVE';
const version = 1;
const chunkMagic = 0x6b_63_57_54;
const chunkHeaderBytes = 44;
const endGroup = 0xffff;
/** Numbers a chunk holds at most: large enough for deflate, small enough that encoding one takes about 1 ms. */
const chunkNumbers = 32_768;
const codecs = { differences: 1, shuffled: 2 } as const;
const encodings = { i32: 1, f64: 2 } as const;

const deflate = promisify<Uint8Array, Buffer>(deflateRaw);

/** Says what the columns are, so that the file can be read with nothing beside it. */
export interface TraceHeader {
  readonly format: 'tripwave-trace';
  readonly version: 1;
  /** Index = `RawBlock.group` of the blocks in this file. */
  readonly groups: readonly TraceGroup[];
  /** Per channel: id, SI unit, and value = raw * scale + offset. For readers without the event's header. */
  readonly channels: readonly {
    readonly id: string;
    readonly unit: string;
    readonly scale: number;
    readonly offset: number;
  }[];
}

export interface TraceGroup extends GroupSpec {
  readonly line: string;
}

/** Part of a file that could not be read. */
export interface TraceDamage {
  /** Byte in the file where it begins. */
  readonly offset: number;
  readonly why: string;
}

export interface Trace {
  readonly header: TraceHeader;
  /** In file order; groups ascend in scan. Instants are exact to 1 ns, spacings to 1 ps. */
  readonly blocks: readonly RawBlock[];
  /** Empty for a whole file. */
  readonly damage: readonly TraceDamage[];
}

/** Yields the pieces of a file, one chunk at a time; compression runs outside the calling thread. */
export async function* encodeTrace(
  header: TraceHeader,
  blocks: Iterable<RawBlock>,
): AsyncGenerator<Uint8Array, void, undefined> {
  yield encodeHeader(header);
  const open: RawBlock[][] = header.groups.map(() => []);
  const numbers = header.groups.map(() => 0);
  let chunks = 0;
  for (const block of blocks) {
    const { group } = block;
    const size = block.scans * header.groups[group].channels.length;
    if (numbers[group] + size > chunkNumbers && open[group].length > 0) {
      yield await encodeChunk(header.groups[group], group, open[group]);
      chunks++;
      open[group] = [];
      numbers[group] = 0;
    }
    open[group].push(block);
    numbers[group] += size;
  }
  for (let group = 0; group < open.length; group++) {
    if (open[group].length === 0) continue;
    yield await encodeChunk(header.groups[group], group, open[group]);
    chunks++;
  }
  const end = new Uint8Array(chunkHeaderBytes);
  writeChunkHeader(end, {
    group: endGroup,
    codec: 0,
    encoding: 0,
    channels: 0,
    blocks: 0,
    scans: chunks,
    time_s: 0,
    table: new Uint8Array(0),
    data: new Uint8Array(0),
  });
  yield end;
}

/** Reads a file, torn or damaged as it may be. Throws `DataError` only when the header itself cannot be read. */
export function decodeTrace(bytes: Uint8Array, name = 'trace.bin'): Trace {
  const { header, end } = decodeHeader(bytes, name);
  const blocks: RawBlock[] = [];
  const damage: TraceDamage[] = [];
  let chunks = 0;
  let at = end;
  while (at < bytes.length) {
    const chunk = readChunkHeader(bytes, at);
    if (typeof chunk === 'string') {
      const next = findChunk(bytes, at + 1);
      damage.push({ offset: at, why: `${chunk}; ${next - at} bytes skipped` });
      at = next;
      continue;
    }
    if (chunk.group === endGroup) {
      // Chunks that were damaged are already listed; fewer than written without any damage means a lost piece.
      if (chunk.scans !== chunks && damage.length === 0) {
        damage.push({ offset: at, why: `${chunk.scans} chunks were written, ${chunks} are here` });
      }
      return { header, blocks, damage };
    }
    try {
      for (const block of decodeChunk(header, chunk)) blocks.push(block);
      chunks++;
    } catch (error) {
      damage.push({ offset: at, why: error instanceof Error ? error.message : String(error) });
    }
    at = chunk.end;
  }
  damage.push({ offset: bytes.length, why: 'the file ends without its end mark' });
  return { header, blocks, damage };
}

function encodeHeader(header: TraceHeader): Uint8Array {
  const json = Buffer.from(JSON.stringify(header), 'utf8');
  const bytes = Buffer.alloc(20 + json.length);
  bytes.write(magic, 0, 'latin1');
  bytes.writeUInt32LE(version, 8);
  bytes.writeUInt32LE(json.length, 12);
  bytes.writeUInt32LE(crc32(json), 16);
  json.copy(bytes, 20);
  return bytes;
}

function decodeHeader(bytes: Uint8Array, name: string): { header: TraceHeader; end: number } {
  const fail = (why: string) => new DataError(`${name}: ${why}`);
  const buffer = Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (buffer.length < 20 || buffer.toString('latin1', 0, 8) !== magic) {
    throw fail(
      `begins with ${JSON.stringify(buffer.toString('latin1', 0, 8))}, a trace begins with "${magic}"`,
    );
  }
  const found = buffer.readUInt32LE(8);
  if (found !== version) throw fail(`is trace version ${found}; this software reads version ${version}`);
  const end = 20 + buffer.readUInt32LE(12);
  const json = buffer.subarray(20, end);
  if (end > buffer.length || crc32(json) !== buffer.readUInt32LE(16)) {
    throw fail('the description at byte 20 is damaged (CRC-32 differs)');
  }
  const header: TraceHeader = JSON.parse(json.toString('utf8'));
  return { header, end };
}

interface ChunkHeader {
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

async function encodeChunk(
  spec: TraceGroup,
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
  const [table, data] = await Promise.all([deflate(encodeBlockTable(blocks)), deflate(packed)]);
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

function writeChunkHeader(bytes: Uint8Array, chunk: ChunkHeader): void {
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

/** The chunk at `at`, or why there is none. */
function readChunkHeader(
  bytes: Uint8Array,
  at: number,
): (ChunkHeader & { end: number; crc: number }) | string {
  if (at + chunkHeaderBytes > bytes.length) return 'a chunk is cut off in its header';
  const view = new DataView(bytes.buffer, bytes.byteOffset + at, chunkHeaderBytes);
  if (view.getUint32(0, true) !== chunkMagic) return 'no chunk begins here';
  if (view.getUint32(40, true) !== crc32(bytes.subarray(at, at + 40))) return 'a chunk header is damaged';
  const data = at + chunkHeaderBytes + view.getUint32(16, true);
  const end = data + view.getUint32(20, true);
  if (end > bytes.length) return 'a chunk is cut off';
  return {
    group: view.getUint16(4, true),
    codec: view.getUint8(6),
    encoding: view.getUint8(7),
    channels: view.getUint16(8, true),
    blocks: view.getUint16(10, true),
    scans: view.getUint32(12, true),
    time_s: view.getFloat64(24, true),
    crc: view.getUint32(36, true),
    table: bytes.subarray(at + chunkHeaderBytes, data),
    data: bytes.subarray(data, end),
    end,
  };
}

/** Offset of the next chunk whose header is sound, at or after `from`; the file's length when there is none. */
function findChunk(bytes: Uint8Array, from: number): number {
  for (let at = from; at + chunkHeaderBytes <= bytes.length; at++) {
    if (bytes[at] === 0x54 && typeof readChunkHeader(bytes, at) !== 'string') return at;
  }
  return bytes.length;
}

function decodeChunk(header: TraceHeader, chunk: ChunkHeader & { crc: number }): RawBlock[] {
  if (crc32(chunk.data, crc32(chunk.table)) !== chunk.crc)
    throw new RangeError('a chunk is damaged (CRC-32 differs)');
  const spec = header.groups[chunk.group];
  if (spec === undefined)
    throw new RangeError(`a chunk names group ${chunk.group}, the header has ${header.groups.length}`);
  const { channels, scans } = chunk;
  if (spec.channels.length !== channels) {
    throw new RangeError(`a chunk has ${channels} columns, group ${spec.id} has ${spec.channels.length}`);
  }
  const values =
    chunk.encoding === encodings.i32 ? new Int32Array(scans * channels) : new Float64Array(scans * channels);
  const packed = inflateRawSync(chunk.data);
  if (chunk.codec === codecs.differences) {
    const reader = new VarintReader(packed);
    for (let channel = 0; channel < channels; channel++) reader.readColumn(values, channel, channels, scans);
  } else if (chunk.codec === codecs.shuffled) {
    unshuffle(packed, values as Float64Array, channels, scans);
  } else {
    throw new RangeError(`codec ${chunk.codec} is unknown; this software knows 1 and 2`);
  }
  return decodeBlockTable(inflateRawSync(chunk.table), chunk, values);
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
