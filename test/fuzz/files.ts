/** Files that may come from anywhere: traces, event headers and CSVs, damaged with and without right checksums. */
import { crc32, deflateRawSync } from 'node:zlib';
import { DataError } from '../../daemon/errors.ts';
import { readEventHeader } from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { decodeTrace, encodeTrace } from '../../daemon/store/trace.ts';
import type { TraceHeader } from '../../daemon/store/trace-header.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import { readCsv } from '../../drivers/recording/csv.ts';
import { recordingOfCsv } from '../../drivers/recording/recording.ts';
import { mutate, Random } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

const header: TraceHeader = {
  format: 'tripwave-trace',
  version: 1,
  groups: [
    { line: 'fast', id: 'stream', channels: ['p', 'run'], encoding: 'i32', nominalInterval_s: 0.001 },
    { line: 'slow', id: 'meter', channels: ['q'], encoding: 'f64', nominalInterval_s: 0.02 },
  ],
  channels: [{ id: 'p', unit: 'Pa', scale: 100, offset: 0 }],
};

/** A small whole trace. */
async function traceBytes(random: Random): Promise<Buffer> {
  const blocks: RawBlock[] = [];
  for (let group = 0; group < 2; group++) {
    let scan = 0;
    for (let k = 1 + random.below(4); k > 0; k--) {
      const scans = 1 + random.below(20);
      const lostBefore = random.oneIn(4) ? random.below(9) : 0;
      scan += lostBefore;
      const raw = group === 0 ? new Int32Array(2 * scans) : new Float64Array(scans);
      for (let i = 0; i < raw.length; i++) raw[i] = random.bits() >> 20;
      if (group === 1) raw[0] = random.bits() / 7;
      const quality = new Uint8Array(scans).fill(random.oneIn(3) ? random.below(8) : 0);
      blocks.push({
        group,
        scan,
        scans,
        time_s: scan * 0.001,
        interval_s: 0.001,
        halfWidth_s: 0,
        raw,
        quality,
        lostBefore,
      });
      scan += scans;
    }
  }
  const pieces: Uint8Array[] = [];
  for await (const piece of encodeTrace(header, blocks)) pieces.push(piece);
  return Buffer.concat(pieces);
}

const chunkHeader_bytes = 44;

/** Offsets of the chunks of an undamaged trace or ring segment; there may be none. */
function chunksOf(trace: Buffer): number[] {
  const found: number[] = [];
  for (let at = 20 + trace.readUInt32LE(12); at < trace.length; ) {
    found.push(at);
    at += chunkHeader_bytes + trace.readUInt32LE(at + 16) + trace.readUInt32LE(at + 20);
  }
  return found;
}

/** Changes the content of one chunk and gives it right checksums, as hostile hands or a faulty writer would. */
export function forge(trace: Buffer, random: Random): Buffer {
  const chunks = chunksOf(trace);
  if (chunks.length === 0) return trace;
  const at = random.pick(chunks);
  const end = at + chunkHeader_bytes + trace.readUInt32LE(at + 16) + trace.readUInt32LE(at + 20);
  let table: Uint8Array = trace.subarray(
    at + chunkHeader_bytes,
    at + chunkHeader_bytes + trace.readUInt32LE(at + 16),
  );
  let data: Uint8Array = trace.subarray(at + chunkHeader_bytes + table.length, end);
  const head = Buffer.from(trace.subarray(at, at + chunkHeader_bytes));
  switch (random.below(4)) {
    case 0:
      table = deflateRawSync(random.fill(new Uint8Array(random.below(80))));
      break;
    case 1:
      data = deflateRawSync(random.fill(new Uint8Array(random.below(400))));
      break;
    case 2:
      head[4 + random.below(20)] = random.bits();
      break;
    default:
      if (random.oneIn(2)) table = mutate(table, random);
      else data = mutate(data, random);
  }
  head.writeUInt32LE(table.length, 16);
  head.writeUInt32LE(data.length, 20);
  head.writeUInt32LE(crc32(data, crc32(table)), 36);
  head.writeUInt32LE(crc32(head.subarray(0, 40)), 40);
  return Buffer.concat([trace.subarray(0, at), head, table, data, trace.subarray(end)]);
}

/** Puts another description in front, with a right checksum; some are made of `header`. */
export function forgeHead(trace: Buffer, random: Random, header: object): Buffer {
  const end = 20 + trace.readUInt32LE(12);
  const json = random.oneIn(2)
    ? mutate(trace.subarray(20, end), random)
    : Buffer.from(
        JSON.stringify(
          random.pick([
            null,
            7,
            'x',
            [],
            {},
            { groups: 3 },
            { ...header, groups: [null] },
            { ...header, groups: [{}] },
          ]),
        ),
      );
  const head = Buffer.from(trace.subarray(0, 20));
  head.writeUInt32LE(json.length, 12);
  head.writeUInt32LE(crc32(json), 16);
  return Buffer.concat([head, json, trace.subarray(end)]);
}

/** A chunk that says it holds `numbers` zeros, and does. */
function bomb(numbers: number): Buffer {
  const json = Buffer.from(JSON.stringify(header));
  const head = Buffer.alloc(20);
  head.write('TRIPWAVE', 'latin1');
  head.writeUInt32LE(1, 8);
  head.writeUInt32LE(json.length, 12);
  head.writeUInt32LE(crc32(json), 16);
  const data = deflateRawSync(Buffer.alloc(numbers), { level: 9 });
  const table = deflateRawSync(Buffer.alloc(16));
  const chunk = Buffer.alloc(chunkHeader_bytes);
  chunk.writeUInt32LE(0x6b635754, 0);
  chunk.writeUInt16LE(1, 4);
  chunk[6] = 1;
  chunk[7] = 2;
  chunk.writeUInt16LE(1, 8);
  chunk.writeUInt16LE(1, 10);
  chunk.writeUInt32LE(numbers, 12);
  chunk.writeUInt32LE(table.length, 16);
  chunk.writeUInt32LE(data.length, 20);
  chunk.writeUInt32LE(crc32(data, crc32(table)), 36);
  chunk.writeUInt32LE(crc32(chunk.subarray(0, 40)), 40);
  const piece = Buffer.concat([chunk, table, data]);
  return Buffer.concat([head, json, ...new Array<Buffer>(64).fill(piece)]);
}

/** Numbers that a whole small trace may hold at most, however it was damaged. */
const mostNumbers = 2 ** 26;

function checkTrace(bytes: Uint8Array, counts: Record<'accepted' | 'damaged' | 'refused', number>): void {
  let trace: ReturnType<typeof decodeTrace>;
  try {
    trace = decodeTrace(bytes);
  } catch (error) {
    if (!(error instanceof DataError)) throw error;
    counts.refused++;
    return;
  }
  let numbers = 0;
  for (const { group, scans, raw, quality } of trace.blocks) {
    const width = trace.header.groups[group]!.channels.length;
    if (raw.length !== scans * width || quality.length !== scans) throw new Error('a block is not whole');
    numbers += raw.length;
  }
  if (numbers > mostNumbers) throw new Error(`${bytes.length} bytes unpacked to ${numbers} numbers`);
  if (trace.damage.length === 0) counts.accepted++;
  else counts.damaged++;
}

async function fuzzTraces(
  seed: number,
  count: number,
  progress: (done: number) => void,
): Promise<FuzzCounts> {
  const random = new Random(seed);
  const counts = { accepted: 0, damaged: 0, refused: 0, bombs: 0 };
  for (let done = 0; done < count; ) {
    const whole = await traceBytes(random);
    const { damaged, refused } = counts;
    checkTrace(whole, counts);
    if (counts.damaged + counts.refused > damaged + refused)
      throw new Error(`a whole trace was not accepted: ${whole.toString('hex')}`);
    for (let k = 0; k < 200 && done < count; k++, done++) {
      const kind = random.below(8);
      const bytes =
        kind < 3
          ? forge(whole, random)
          : kind === 3
            ? forgeHead(whole, random, header)
            : mutate(whole, random);
      checkTrace(bytes, counts);
    }
    progress(done);
  }
  // Each says it unpacks to gigabytes; once a run, for they are slow to make.
  for (const numbers of [2 ** 22, 2 ** 24, 2 ** 27]) {
    checkTrace(bomb(numbers), counts);
    counts.bombs++;
    progress(count);
  }
  return counts;
}

const eventJson = Buffer.from(
  JSON.stringify({
    format: 'tripwave-event',
    version: 1,
    id: '20261125T105912Z-A3F',
    window: { from_s: 0, to_s: 1 },
    trip: { source: 'contact', time_s: 0.5, declared_s: 0.6 },
    config: { channels: [], legs: [] },
    groups: [],
    lineCounters: {},
  }),
);

async function fuzzHeaders(
  seed: number,
  count: number,
  progress: (done: number) => void,
): Promise<FuzzCounts> {
  const random = new Random(seed);
  const counts: FuzzCounts = { accepted: 0, refused: 0 };
  let bytes: Uint8Array = eventJson;
  const files = { ...disk, read: async () => bytes };
  // Throws where the whole one is refused.
  await readEventHeader('event', files);
  for (let done = 0; done < count; done++) {
    bytes = random.oneIn(10) ? random.fill(new Uint8Array(random.below(200))) : mutate(eventJson, random);
    try {
      await readEventHeader('event', files);
      counts['accepted']! += 1;
    } catch (error) {
      if (!(error instanceof DataError)) throw error;
      counts['refused']! += 1;
    }
    if (done % 1000 === 0) progress(done);
  }
  return counts;
}

const cells = [
  '',
  '1',
  '-2.5',
  '3,25',
  '1.234,5',
  '1e5',
  'NaN',
  '"a;b"',
  '"',
  '#',
  '2026-11-25 10:59:12.5',
  '10:59:12',
  '99999999999999',
  '\u00b0C',
  '=1+1',
];

/** `oddCells`: some cells hold what no number is. */
function csvBytes(random: Random, oddCells = true): Buffer {
  const delimiter = random.pick([',', ';', '\t']);
  const width = 1 + random.below(5);
  const rows = [['time', 'p [bar]', 'q', 'x', 'y', 'z'].slice(0, width + 1).join(delimiter)];
  if (random.oneIn(4)) rows.unshift('# made up', '');
  for (let row = (oddCells ? 0 : 2) + random.below(38); row > 0; row--) {
    const time_s = oddCells && random.oneIn(20) ? random.pick(cells) : (40 - row) * 0.001;
    const values = Array.from({ length: width }, () =>
      oddCells && random.oneIn(15) ? random.pick(cells) : (random.below(1000) / 8).toString(),
    );
    rows.push([time_s, ...values].join(delimiter));
  }
  const text = rows.join(random.pick(['\n', '\r\n', '\r']));
  // Programs that write 16 bits a character begin with a byte order mark; without it such a file is none to be read.
  if (random.oneIn(4)) return Buffer.from(oddCells ? text : `\uFEFF${text}`, 'utf16le');
  return Buffer.from(text, 'utf8');
}

function fuzzCsvs(seed: number, count: number, progress: (done: number) => void): FuzzCounts {
  const random = new Random(seed);
  const counts = { accepted: 0, refused: 0, rows: 0 };
  for (let done = 0; done < count; done++) {
    if (done % 10 === 0) mustAccept(csvBytes(random, false));
    const whole = csvBytes(random);
    const kind = random.below(10);
    const bytes =
      kind === 0
        ? whole
        : kind === 1
          ? random.fill(new Uint8Array(random.below(300)))
          : mutate(whole, random);
    try {
      checkCsv(bytes, counts, random);
    } catch (error) {
      if (!(error instanceof DataError))
        throw new Error(`on ${Buffer.from(bytes).toString('hex')}`, { cause: error });
      counts.refused++;
    }
    if (done % 200 === 0) progress(done);
  }
  return counts;
}

/** A whole table of numbers: every row and column comes back. */
function mustAccept(bytes: Buffer): void {
  const text = bytes.toString(bytes[0] === 0xff ? 'utf16le' : 'utf8').replace('\uFEFF', '');
  const lines = text.split(/\r\n|\n|\r/).filter((line) => line !== '' && !line.startsWith('#'));
  try {
    const { time_s, columns } = readCsv(bytes);
    const width = lines[0]!.split(/[,;\t]/).length - 1;
    if (time_s.length !== lines.length - 1 || columns.length !== width)
      throw new Error(`${time_s.length} rows of ${columns.length} columns came back`);
  } catch (error) {
    throw new Error(`a whole table was not accepted: ${JSON.stringify(text)}`, { cause: error });
  }
}

function checkCsv(bytes: Uint8Array, counts: { accepted: number; rows: number }, random: Random): void {
  const table = readCsv(bytes);
  for (let i = 1; i < table.time_s.length; i++) {
    if (!(table.time_s[i]! > table.time_s[i - 1]!)) throw new Error('time does not rise');
  }
  for (const values of table.values.values()) {
    if (values.length !== table.time_s.length || !values.every(Number.isFinite))
      throw new Error('a column is not whole');
  }
  counts.rows += table.time_s.length;
  counts.accepted++;
  if (table.columns.length === 0) return;
  const column = random.pick(table.columns);
  for (const { scans, raw, time_s, interval_s } of recordingOfCsv(table, [{ id: 'c', column }]).blocks) {
    if (raw.length !== scans || !Number.isFinite(time_s) || !(interval_s > 0))
      throw new Error('a block is not whole');
  }
}

export const fileTargets: readonly FuzzTarget[] = [
  { name: 'traces', count: 1_000_000, smallCount: 4000, run: fuzzTraces },
  { name: 'event-headers', count: 1_000_000, smallCount: 5000, run: fuzzHeaders },
  { name: 'csv', count: 1_000_000, smallCount: 4000, run: fuzzCsvs },
];
