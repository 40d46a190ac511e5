/** `tripwave export EVENT --out FILE`: the samples of an event as CSV, Parquet or JSON. */
import { createWriteStream, existsSync, rmSync, statSync } from 'node:fs';
import { extname } from 'node:path';
import { Readable, Transform } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { Command, InvalidArgumentError } from 'commander';
import { DataError, UsageError } from '../errors.ts';
import { exportEvent } from '../report/export-event.ts';
import type { Exported } from '../report/exported.ts';
import { type ExportFormat, estimate_bytes, exportFormats, formatWriters } from '../report/formats.ts';
import { loadEvent } from '../store/load-record.ts';

interface Options {
  readonly out: string;
  readonly channels?: readonly string[];
  readonly from?: number;
  readonly to?: number;
}

/** The command; throws `UsageError` or `DataError`. An existing file is never overwritten. */
export function exportCommand(): Command {
  return new Command('export')
    .description(
      'Write the samples of an event to a file; the ending of its name (.csv, .parquet, .json) says how.',
    )
    .argument('<event>', 'event folder')
    .requiredOption('--out <file>', 'file to write; - writes CSV to standard output')
    .option('--channels <tags>', 'tags, comma separated; all when left out', (text) => text.split(','))
    .option('--from <s>', 'from so many seconds after the trip; may be negative', seconds)
    .option('--to <s>', 'to so many seconds after the trip', seconds)
    .addHelpText(
      'after',
      '\nValues are SI with every digit; "tripwave analyse FILE.csv" reads a CSV back to the same verdict.',
    )
    .action(async (event: string, options: Options) => {
      if (statSync(event, { throwIfNoEntry: false })?.isDirectory() !== true) {
        throw new DataError(`${event}: no such event folder; one lies under events/ in the data folder`);
      }
      const loaded = await loadEvent(event);
      const exported = exportEvent(loaded, loaded.header.trip.time_s, {
        channels: options.channels ?? null,
        from_s: options.from ?? null,
        to_s: options.to ?? null,
      });
      const missing = options.channels?.filter((id) => !exported.meta.channels.includes(id)) ?? [];
      if (missing.length > 0) {
        const all = exportEvent(loaded, 0, { channels: null, from_s: null, to_s: null }).meta.channels;
        throw new UsageError(`--channels: found ${missing.join(', ')}; recorded are ${all.join(', ')}`);
      }
      await write(exported, options.out);
    });
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

function seconds(text: string): number {
  const value = /^-?\d+(\.\d+)?$/.test(text) ? Number(text) : Number.NaN;
  if (Math.abs(value) <= 1e6) return value;
  throw new InvalidArgumentError('A number of seconds such as -0.5 is allowed.');
}

function megabytes(bytes: number): string {
  return (bytes / 1e6).toPrecision(2);
}
