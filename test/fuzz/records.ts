/** Whole records from elsewhere - event folders, exports, CSVs - read and judged as the commands do: a verdict or a DataError. */
import { readFileSync } from 'node:fs';
import { basename } from 'node:path';
import { loadRig } from '../../config/load.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../daemon/analysis/record.ts';
import { DataError } from '../../daemon/errors.ts';
import { calibratedRig } from '../../daemon/instruments/channel-calibration.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';
import { csvOf } from '../../daemon/report/export-csv.ts';
import { exportEvent } from '../../daemon/report/export-event.ts';
import { readExport } from '../../daemon/report/read-export.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { loadEvent, recordOf, seriesOf } from '../../daemon/store/load-record.ts';
import { encodeTrace } from '../../daemon/store/trace.ts';
import type { RecordingLineSpec } from '../../drivers/line-spec.ts';
import { readCsv } from '../../drivers/recording/csv.ts';
import { pickChannels, recordingOfCsv } from '../../drivers/recording/recording.ts';
import { eventContent } from '../support/event-builder.ts';
import { mutate, type Random, Random as Seeded } from './random.ts';
import type { FuzzCounts, FuzzTarget } from './target.ts';

/** A verdict takes tens of milliseconds; one that takes so long walks through something it should have refused, in ms. */
const slowest_ms = 20_000;

/** Values that stand where others are expected. */
const wild: readonly unknown[] = [
  ...[0, -1, 1, 1e-300, 1e300, -1e300, 1e15, 0.5, 2 ** 53, 1e6],
  ...['', 'x', 'PT-1', null, true, [], {}, [0, 1], { channel: 'x' }],
];

const cells = [
  '',
  'x',
  'nan',
  '0',
  '-0',
  '1e308',
  '-1e8',
  '1e5',
  '1e-320',
  '99:99:99',
  '500000000',
  '9'.repeat(300),
];

/** Judges it; throws where a number of the verdict is none. */
function judge(record: EventRecord): void {
  const begun_ms = performance.now();
  mustBeFinite(analyse(record, { revision: 1, software: 'fuzz', reason: 'fuzz' }), 'verdict');
  const taken_ms = performance.now() - begun_ms;
  if (taken_ms > slowest_ms) throw new Error(`a verdict took ${Math.round(taken_ms)} ms`);
}

function mustBeFinite(value: unknown, path: string): void {
  if (typeof value === 'number' && !Number.isFinite(value)) throw new Error(`${path} is ${value}`);
  if (typeof value !== 'object' || value === null) return;
  for (const [key, each] of Object.entries(value)) mustBeFinite(each, `${path}.${key}`);
}

/** One to three values anywhere in a tree are replaced or removed. */
function spoil(tree: unknown, random: Random): unknown {
  const copy = structuredClone(tree);
  for (let k = 1 + random.below(3); k > 0; k--) {
    let node = copy as Record<string, unknown>;
    for (;;) {
      const keys = Object.keys(node);
      if (keys.length === 0) break;
      const key = random.pick(keys);
      const child = node[key];
      if (typeof child === 'object' && child !== null && !random.oneIn(6)) {
        node = child as Record<string, unknown>;
        continue;
      }
      if (random.oneIn(5)) delete node[key];
      else node[key] = structuredClone(random.pick(wild));
      break;
    }
  }
  return copy;
}

async function each(
  seed: number,
  count: number,
  progress: (done: number) => void,
  one: (random: Random) => Promise<EventRecord>,
): Promise<FuzzCounts> {
  const random = new Seeded(seed);
  const counts = { judged: 0, refused: 0 };
  for (let done = 0; done < count; done++) {
    progress(done);
    try {
      judge(await one(random));
      counts.judged++;
    } catch (error) {
      if (!(error instanceof DataError)) throw new Error(`case ${done}`, { cause: error });
      counts.refused++;
    }
  }
  return counts;
}

async function wholeEvent(): Promise<{ header: object; trace: Buffer }> {
  const { blocks, header } = eventContent('unused');
  const { groups, config } = header;
  const pieces: Uint8Array[] = [];
  for await (const piece of encodeTrace(
    { format: 'tripwave-trace', version: 1, groups, channels: config.channels },
    blocks,
  )) {
    pieces.push(piece);
  }
  return { header, trace: Buffer.concat(pieces) };
}

const folder = '/nowhere/20260611T120000Z-T01';

function filesOf(header: unknown, trace: Uint8Array): Files {
  const json = Buffer.from(JSON.stringify(header));
  return { ...disk, read: async (path) => (basename(path) === 'event.json' ? json : trace) };
}

async function fuzzFolders(
  seed: number,
  count: number,
  progress: (done: number) => void,
): Promise<FuzzCounts> {
  const { header, trace } = await wholeEvent();
  const loaded = await loadEvent(folder, filesOf(header, trace));
  if (loaded.damage.length > 0) throw new Error('a whole event is damaged');
  judge(loaded.record);
  return each(seed, count, progress, async (random) => {
    const kind = random.below(4);
    const bytes =
      kind === 0 ? trace.subarray(0, random.below(trace.length)) : kind === 1 ? mutate(trace, random) : trace;
    const spoilt = kind < 2 && random.oneIn(2) ? header : spoil(header, random);
    return (await loadEvent(folder, filesOf(spoilt, bytes))).record;
  });
}

async function fuzzExports(
  seed: number,
  count: number,
  progress: (done: number) => void,
): Promise<FuzzCounts> {
  const { header, trace } = await wholeEvent();
  const loaded = await loadEvent(folder, filesOf(header, trace));
  let whole = '';
  const all = { channels: null, from_s: null, to_s: null };
  for await (const piece of csvOf(exportEvent(loaded, loaded.header.trip.time_s, all))) whole += piece;
  judge(recordOfExport(whole));
  const lines = whole.split('\r\n');
  const facts = lines.flatMap((line, at) => (/^# (record|configuration|end): /.test(line) ? [at] : []));
  return each(seed, count, progress, async (random) => {
    const changed = lines.slice();
    if (random.oneIn(2)) {
      const at = random.pick(facts);
      const [, mark, json] = /^(# \w+: )(.*)$/.exec(changed[at]!)!;
      changed[at] = `${mark}${JSON.stringify(spoil(JSON.parse(json!), random))}`;
    } else {
      for (let k = 1 + random.below(4); k > 0; k--) spoilRow(changed, random);
    }
    return recordOfExport(changed.join('\r\n'));
  });
}

function recordOfExport(text: string): EventRecord {
  const { meta, series } = readExport(text, 'fuzz.csv');
  return recordOf({ id: meta.id, config: meta.config }, series);
}

/** A cell, a stretch of a column, or rows. */
function spoilRow(lines: string[], random: Random): void {
  const from = random.below(lines.length);
  const kind = random.below(6);
  if (kind === 0) lines.splice(from, random.below(lines.length));
  else if (kind === 1) lines.splice(from, 0, '\0'.repeat(1 + random.below(100)));
  else {
    const until = kind === 2 ? from + 1 + random.below(400) : from + 1;
    const cell = random.pick(cells);
    const column = random.below(8);
    for (let at = from; at < Math.min(until, lines.length); at++) {
      const row = lines[at]!.split(',');
      if (lines[at]!.startsWith('#') || column >= row.length) continue;
      row[column] = cell;
      lines[at] = row.join(',');
    }
  }
}

async function fuzzRecordings(
  seed: number,
  count: number,
  progress: (done: number) => void,
): Promise<FuzzCounts> {
  const config = calibratedRig(loadRig('config/recording.yaml', physics), 0);
  const { channels, csv } = config.lines[0] as RecordingLineSpec;
  const wholes = ['lever-200-100Hz', 'spring-100-100Hz'].map((name) =>
    readFileSync(`test/golden/records/${name}.csv`, 'utf8').split('\n'),
  );
  const recordOfLines = (lines: readonly string[]): EventRecord => {
    const table = readCsv(Buffer.from(lines.join('\n')), csv);
    const { groups, blocks } = pickChannels(recordingOfCsv(table, channels), channels);
    return recordOf({ config, id: 'fuzz.csv' }, seriesOf({ config }, groups, blocks));
  };
  for (const whole of wholes) judge(recordOfLines(whole));
  return each(seed, count, progress, async (random) => {
    const lines = random.pick(wholes).slice();
    for (let k = random.below(5); k > 0; k--) spoilRow(lines, random);
    return recordOfLines(lines);
  });
}

export const recordTargets: readonly FuzzTarget[] = [
  { name: 'event-folders', count: 20_000, smallCount: 80, run: fuzzFolders },
  { name: 'exports', count: 20_000, smallCount: 60, run: fuzzExports },
  { name: 'recordings', count: 20_000, smallCount: 25, run: fuzzRecordings },
];
