/** Any stretch of the disk ring as something to export, a minute at a time. */
import type { RigConfig } from '../../config/rig.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import type { Series } from '../analysis/record.ts';
import { monotonicAt_s, wallAt_ms } from '../clock.ts';
import { DataError } from '../errors.ts';
import { disk, type Files } from '../store/files.ts';
import { seriesOf } from '../store/load-record.ts';
import { listRing, type RingBlock, type RingTally, readRing, tallyRing } from '../store/ring-read.ts';
import { version } from '../version.ts';
import { cut, type ExportChunk, type Exported, exportedConfig, exportForm } from './exported.ts';

/** Read and written in one go, in ms: what is held in memory at a time. */
const stretch_ms = 60_000;

type RingHeader = RingBlock['header'];

/** Half-open, wall clock, ms since 1970. */
export interface ExportSpan {
  readonly from_ms: number;
  readonly to_ms: number;
}

/**
 * Samples of [from_ms, to_ms) on the wall clock. Times are those of the recorder's clock in the first run that has data there;
 * a later run (the recorder was restarted) is laid on it by the wall clock. `channels` null: all.
 * Throws `DataError` when the ring holds nothing of it, and the reason of `signal` soon after it is aborted.
 */
export async function exportWindow(
  dataFolder: string,
  { from_ms, to_ms }: ExportSpan,
  channels: readonly string[] | null,
  signal?: AbortSignal,
): Promise<Exported> {
  const files = abortable(disk, signal);
  const tallies = await tallyRing(dataFolder, { from_ms, to_ms }, files);
  const first = await firstHeader(dataFolder, { from_ms, to_ms }, files);
  if (first === null || tallies.length === 0) {
    throw new DataError(
      `the ring of ${dataFolder} has no samples from ${new Date(from_ms).toISOString()} to ${new Date(to_ms).toISOString()}`,
    );
  }
  const config = exportedConfig(first.config);
  const recorded = new Set(first.groups.flatMap((group) => group.channels));
  const wanted = config.channels
    .map(({ id }) => id)
    .filter((id) => recorded.has(id) && (channels === null || channels.includes(id)));
  const perGroup = new Map(
    first.groups.map(({ line, id, channels: own }) => [
      `${line}/${id}`,
      own.filter((each) => wanted.includes(each)).length,
    ]),
  );
  const { anchor } = first;
  return {
    meta: {
      form: exportForm,
      id: 'window',
      software: version,
      anchor,
      trip_s: null,
      from_s: monotonicAt_s(anchor, from_ms),
      to_s: monotonicAt_s(anchor, to_ms),
      config,
      channels: wanted,
    },
    samples: tallies.reduce(
      (sum, { line, group, scansRecorded }) => sum + scansRecorded * (perGroup.get(`${line}/${group}`) ?? 0),
      0,
    ),
    chunks: () => stretches({ dataFolder, files, tallies, first, wanted }, from_ms, to_ms),
  };
}

async function firstHeader(dataFolder: string, span: ExportSpan, files: Files): Promise<RingHeader | null> {
  for await (const { header } of readRing(dataFolder, span, files)) return header;
  return null;
}

/** What the stretches of one export share. */
interface Source {
  readonly dataFolder: string;
  readonly files: Files;
  /** Of the window. */
  readonly tallies: readonly RingTally[];
  readonly first: RingHeader;
  readonly wanted: readonly string[];
}

async function* stretches(source: Source, from_ms: number, to_ms: number): AsyncGenerator<ExportChunk> {
  const { dataFolder, files, first, wanted } = source;
  for (const run of await runsOf(source)) {
    // Minutes without a recorder are not stepped through: there may be years of them.
    const begin_ms = Math.max(
      from_ms,
      from_ms + stretch_ms * Math.floor((run.from_ms - from_ms) / stretch_ms),
    );
    for (let at_ms = begin_ms; at_ms < Math.min(to_ms, run.to_ms); at_ms += stretch_ms) {
      const window = { from_ms: at_ms, to_ms: Math.min(to_ms, at_ms + stretch_ms) };
      const parts = new Map<RingHeader, RawBlock[]>();
      for await (const { header, block } of readRing(dataFolder, window, files)) {
        const own = parts.get(header);
        if (own === undefined) parts.set(header, [block]);
        else own.push(block);
      }
      if (parts.size > 0) yield joined(parts, window, first, wanted);
    }
  }
}

/** Anchors of one run differ by what the wall clock was set in between; stretches reach so much further, in ms. */
const clockSlack_ms = 120_000;

/** The spans that hold samples, on the wall clock, ascending and apart from each other by more than a stretch. */
async function runsOf({ dataFolder, files, tallies }: Source): Promise<ExportSpan[]> {
  const anchors = Map.groupBy(await listRing(dataFolder, files), ({ header }) => header.boot);
  const spans = tallies.flatMap(({ boot, firstTime_s, endTime_s }) =>
    (anchors.get(boot) ?? []).map(({ header: { anchor } }) => ({
      from_ms: wallAt_ms(anchor, firstTime_s) - clockSlack_ms,
      to_ms: wallAt_ms(anchor, endTime_s) + clockSlack_ms,
    })),
  );
  const apart: { from_ms: number; to_ms: number }[] = [];
  for (const span of spans.sort((a, b) => a.from_ms - b.from_ms)) {
    const last = apart.at(-1);
    if (last === undefined || span.from_ms > last.to_ms + stretch_ms) apart.push({ ...span });
    else last.to_ms = Math.max(last.to_ms, span.to_ms);
  }
  return apart;
}

/** The same files, which end their reader's work soon after `signal` is aborted. */
function abortable(files: Files, signal: AbortSignal | undefined): Files {
  if (signal === undefined) return files;
  return {
    ...files,
    list: async (folder) => {
      signal.throwIfAborted();
      return await files.list(folder);
    },
    openToRead: async (path) => {
      signal.throwIfAborted();
      const file = await files.openToRead(path);
      return {
        ...file,
        read: async (at, length) => {
          signal.throwIfAborted();
          return await file.read(at, length);
        },
      };
    },
  };
}

/** The samples of one stretch on the clock of the first run, one series a channel. */
function joined(
  parts: ReadonlyMap<RingHeader, readonly RawBlock[]>,
  { from_ms, to_ms }: { readonly from_ms: number; readonly to_ms: number },
  first: RingHeader,
  wanted: readonly string[],
): ExportChunk {
  const pieces = new Map<string, Series[]>();
  for (const [header, blocks] of parts) {
    const { anchor, boot } = header;
    const begin_s = monotonicAt_s(anchor, from_ms);
    const end_s = monotonicAt_s(anchor, to_ms);
    // What was lost before a block that begins earlier was told with the stretch before.
    const own = blocks.map((block) => (block.time_s < begin_s ? { ...block, lostBefore: 0 } : block));
    const shift_s = boot === first.boot ? 0 : monotonicAt_s(first.anchor, anchor.wall_ms) - anchor.time_s;
    for (const [id, series] of seriesOf({ config: header.config as RigConfig }, header.groups, own)) {
      if (!wanted.includes(id) || series.time_s.length === 0) continue;
      const part = cut(series, begin_s, before(end_s));
      const time_s = shift_s === 0 ? part.time_s : part.time_s.map((at_s) => at_s + shift_s);
      pieces.set(id, [...(pieces.get(id) ?? []), { ...part, time_s }]);
    }
  }
  return new Map([...pieces].map(([id, each]) => [id, each.length === 1 ? each[0]! : concatenated(each)]));
}

/** The largest number below `limit`: windows are half-open, `cut` is not. */
function before(limit: number): number {
  return limit - Number.EPSILON * Math.abs(limit);
}

function concatenated(parts: readonly Series[]): Series {
  const length = parts.reduce((sum, { time_s }) => sum + time_s.length, 0);
  const all = {
    time_s: new Float64Array(length),
    value: new Float64Array(length),
    quality: new Uint8Array(length),
  };
  let at = 0;
  for (const { time_s, value, quality } of parts) {
    all.time_s.set(time_s, at);
    all.value.set(value, at);
    all.quality.set(quality, at);
    at += time_s.length;
  }
  return {
    channel: parts[0]!.channel,
    ...all,
    halfWidth_s: Math.max(...parts.map(({ halfWidth_s }) => halfWidth_s)),
    lost: parts.reduce((sum, { lost }) => sum + lost, 0),
  };
}
