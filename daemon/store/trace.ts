/**
 * trace.bin: raw numbers of every group over one window. Little-endian.
 *
 *   head: `TRIPWAVE` and a TraceHeader | chunk * | end chunk (group 0xFFFF, its `scans` = number of chunks before it)
 *
 * Head and chunks are described in `trace-chunk.ts`. A chunk can be decoded without the rest of the file: damage costs
 * the chunks it touches.
 */
import type { RawBlock } from '../../drivers/driver.ts';
import { DataError } from '../errors.ts';
import { messageOf } from './files.ts';
import {
  chunkHeaderBytes,
  chunkNumbers,
  decodeChunk,
  decodeHead,
  encodeChunk,
  encodeHead,
  findChunk,
  readChunkHeader,
  writeChunkHeader,
} from './trace-chunk.ts';
import { headerFault, type TraceHeader } from './trace-header.ts';

const magic = 'TRIPWAVE';
const version = 1;
const endGroup = 0xffff;
/** Numbers that are unpacked of one file at most: an hour of 4 channels x 4 kHz; a small file may claim any number. */
const mostNumbers = 2 ** 26;

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
  yield encodeHead(magic, version, header);
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
  const { description, end } = decodeHead(bytes, { magic, version, what: 'trace', name });
  const fault = headerFault(description);
  if (fault !== null) throw new DataError(`${name}: the description at byte 20 ${fault}`);
  const header = description as TraceHeader;
  const blocks: RawBlock[] = [];
  const damage: TraceDamage[] = [];
  let chunks = 0;
  let numbers = 0;
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
    numbers += chunk.scans * chunk.channels;
    if (numbers > mostNumbers) {
      damage.push({ offset: at, why: `more than ${mostNumbers} numbers; the rest is left out` });
      return { header, blocks, damage };
    }
    try {
      for (const block of decodeChunk(header.groups, chunk)) blocks.push(block);
      chunks++;
    } catch (error) {
      damage.push({ offset: at, why: messageOf(error) });
    }
    at = chunk.end;
  }
  damage.push({ offset: bytes.length, why: 'the file ends without its end mark' });
  return { header, blocks, damage };
}
