/** `tripwave export WHAT --out FILE`: the samples of an event, or of a stretch of the disk ring, as CSV, Parquet or JSON. */
import { createWriteStream, existsSync, rmSync, statSync } from 'node:fs';
import { extname, join } from 'node:path';
import { Readable, Transform } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { Command } from 'commander';
import { DataError, UsageError } from '../errors.ts';
import { exportEvent } from '../report/export-event.ts';
import { exportWindow } from '../report/export-window.ts';
import type { Exported } from '../report/exported.ts';
import { type ExportFormat, estimate_bytes, exportFormats, formatWriters } from '../report/formats.ts';
import { loadEvent, warnOfDamage } from '../store/load-record.ts';

interface Options {
  readonly out: string;
  readonly channels?: readonly string[];
  readonly from?: string;
  readonly to?: string;
}

/** The command; throws `UsageError` or `DataError`. An existing file is never overwritten. */
export function exportCommand(): Command {
  return new Command('export')
    .description(
      'Write samples to a file: an event, or any stretch that the disk ring of a data folder still has.',
    )
    .argument('<what>', 'event folder, or data folder')
    .requiredOption(
      '--out <file>',
      'file to write, ending in .csv, .parquet or .json; - writes CSV to standard output',
    )
    .option('--channels <tags>', 'tags, comma separated; all when left out', (text) => text.split(','))
    .option(
      '--from <when>',
      'event: seconds after the trip, may be negative; data folder: an instant such as 2026-03-02T14:00:00Z',
    )
    .option('--to <when>', 'likewise; not included')
    .addHelpText(
      'after',
      '\nValues are SI with every digit; "tripwave analyse FILE.csv" reads a CSV back to the same verdict.',
    )
    .action(async (what: string, options: Options) => {
      if (statSync(what, { throwIfNoEntry: false })?.isDirectory() !== true) {
        throw new DataError(
          `${what}: no such folder; an event folder (under events/) or a data folder is allowed`,
        );
      }
      const isEvent = existsSync(join(what, 'event.json'));
      await write(await (isEvent ? ofEvent(what, options) : ofRing(what, options)), options.out);
    });
}

async function ofEvent(folder: string, { channels: asked, from, to }: Options): Promise<Exported> {
  const channels = asked ?? null;
  const loaded = await loadEvent(folder);
  warnOfDamage(folder, loaded.damage, (line) => process.stderr.write(`${line}\n`));
  const exported = exportEvent(loaded, loaded.header.trip.time_s, {
    channels,
    from_s: from === undefined ? null : seconds('--from', from),
    to_s: to === undefined ? null : seconds('--to', to),
  });
  const all = exportEvent(loaded, 0, { channels: null, from_s: null, to_s: null }).meta.channels;
  refuseUnknown(channels, all);
  return exported;
}

async function ofRing(folder: string, { channels: asked, from, to }: Options): Promise<Exported> {
  const channels = asked ?? null;
  if (from === undefined || to === undefined) {
    throw new UsageError(
      `${folder} is a data folder: --from and --to are needed, such as 2026-03-02T14:00:00Z`,
    );
  }
  const exported = await exportWindow(
    folder,
    { from_ms: instant('--from', from), to_ms: instant('--to', to) },
    channels,
  );
  refuseUnknown(channels, channels === null ? [] : exported.meta.config.channels.map(({ id }) => id));
  return exported;
}

function refuseUnknown(asked: readonly string[] | null, all: readonly string[]): void {
  const missing = asked?.filter((id) => !all.includes(id)) ?? [];
  if (missing.length > 0) {
    throw new UsageError(`--channels: found ${missing.join(', ')}; recorded are ${all.join(', ')}`);
  }
}

async function write(exported: Exported, out: string): Promise<void> {
  const format = out === '-' ? 'csv' : formatOf(out);
  if (out !== '-' && existsSync(out)) throw new UsageError(`${out} is there already; name a new file`);
  const pieces = Readable.from(formatWriters[format].write(exported), { objectMode: false });
  if (out === '-') {
    await pipeline(pieces, process.stdout, { end: false });
    return;
  }
  const expected_bytes = estimate_bytes(exported.samples, format);
  process.stderr.write(`${exported.samples} samples, about ${megabytes(expected_bytes)} MB\n`);
  const isTerminal = process.stderr.isTTY === true;
  let done_bytes = 0;
  const progress = new Transform({
    transform(piece: Uint8Array, _encoding, pass) {
      done_bytes += piece.length;
      if (isTerminal) process.stderr.write(`\r\x1b[K${megabytes(done_bytes)} MB written`);
      pass(null, piece);
    },
  });
  try {
    await pipeline(pieces, progress, createWriteStream(out, { flags: 'wx' }));
  } catch (error) {
    // Half a file must not be taken for a whole one.
    rmSync(out, { force: true });
    throw error;
  }
  process.stderr.write(`${isTerminal ? '\r\x1b[K' : ''}${out}: ${megabytes(done_bytes)} MB\n`);
}

function formatOf(out: string): ExportFormat {
  const format = exportFormats.find((each) => `.${each}` === extname(out).toLowerCase());
  if (format !== undefined) return format;
  throw new UsageError(
    `--out ${out}: the name may end in ${exportFormats.map((each) => `.${each}`).join(', ')}`,
  );
}

function seconds(option: string, text: string): number {
  const value = /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : Number.NaN;
  if (Math.abs(value) <= 1e6) return value;
  throw new UsageError(
    `${option}: found "${text}"; a number of seconds after the trip such as -0.5 is allowed`,
  );
}

function instant(option: string, text: string): number {
  const isZoned = /^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})$/.test(text);
  const value = isZoned ? Date.parse(text) : Number.NaN;
  if (Number.isFinite(value)) return value;
  throw new UsageError(
    `${option}: found "${text}"; an instant with its zone such as 2026-03-02T14:00:00Z or ...+01:00 is allowed`,
  );
}

function megabytes(bytes: number): string {
  return (bytes / 1e6).toPrecision(2);
}
