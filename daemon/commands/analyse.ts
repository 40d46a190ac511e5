/** `tripwave analyse EVENT|FILE.csv`: the verdict of one record, from a folder or from anyone's CSV. */
import { statSync, writeFileSync } from 'node:fs';
import { basename } from 'node:path';
import { Command } from 'commander';
import { notAFile, readHead, readRegularFile } from '../../drivers/regular-file.ts';
import { analyse } from '../analysis/analyse.ts';
import type { EventRecord } from '../analysis/record.ts';
import type { Provenance, Verdict } from '../analysis/verdict.ts';
import { DataError, UsageError } from '../errors.ts';
import { isExport, readExport } from '../report/read-export.ts';
import { messageOf } from '../store/files.ts';
import { loadEvent, recordOf, warnOfDamage } from '../store/load-record.ts';
import { version } from '../version.ts';
import { readConfig } from './check.ts';
import { foundIn } from './csv-found.ts';
import { recordFromCsv } from './csv-record.ts';
import { verdictText } from './verdict-text.ts';

interface Options {
  readonly config?: string;
  readonly json?: boolean;
  readonly writeRig?: string;
}

/** The command; throws `UsageError`, `DataError` or `ConfigError`. */
export function analyseCommand(): Command {
  return new Command('analyse')
    .description('Judge one record: an event folder, or a CSV with the rig file that describes its columns.')
    .argument('<record>', 'event folder, or FILE.csv')
    .option(
      '--config <file>',
      'rig file with a recording line: columns, units, leg data (needed for a CSV that no export of Tripwave wrote)',
    )
    .option(
      '--write-rig <file>',
      'for a CSV without a rig file: write one to fill in; an existing file is never replaced',
    )
    .option('--json', 'the verdict as one JSON object')
    .addHelpText(
      'after',
      '\nA CSV needs a rig file such as config/recording.yaml: it names the columns and gives bore, length and wave speed.',
    )
    .action(async (path: string, options: Options) => {
      if (options.writeRig !== undefined) {
        writeRig(path, options.writeRig);
        return;
      }
      const { record, provenance } = await readRecord(path, options);
      const judged = analyse(record, { revision: 1, software: version, reason: 'analyse command' });
      const verdict = provenance === null ? judged : { ...judged, provenance };
      if (provenance !== null && provenance.state !== 'intact') warn(foreignText(path, provenance));
      process.stdout.write(options.json ? `${JSON.stringify(verdict)}\n` : plainText(verdict));
    });
}

interface Read {
  readonly record: EventRecord;
  /** Null for anything but an export of this program. */
  readonly provenance: Provenance | null;
}

/** Size of the largest export that is read back, in bytes: it is held as one text. */
const mostExport_bytes = 256e6;

const warn = (line: string) => process.stderr.write(`${line}\n`);

async function readRecord(path: string, { config }: Options): Promise<Read> {
  const kind = statSync(path, { throwIfNoEntry: false });
  if (kind === undefined)
    throw new DataError(`${path}: no such file or folder; an event folder or a CSV file is allowed`);
  if (kind.isDirectory()) {
    const { damage, record } = await loadEvent(path);
    warnOfDamage(path, damage, warn);
    return { record, provenance: null };
  }
  const why = notAFile(kind, 'an event folder or a CSV file');
  if (why !== null) throw new DataError(`${path}: ${why}`);
  if (config === undefined && isExport(readHead(path, 200).toString('utf8'))) return readExported(path);
  if (config === undefined) {
    throw new UsageError(
      [
        `${path}: a CSV needs --config with a rig file that names its columns (see config/recording.yaml); found:`,
        ...foundIn(path).lines.map((line) => `  ${line}`),
        'analyse FILE.csv --write-rig NEW.yaml writes a rig file to fill in.',
      ].join('\n'),
    );
  }
  return { record: recordFromCsv(path, readConfig(config, warn), warn), provenance: null };
}

/** Writes a rig file to fill in. Throws `UsageError` where a file stands already, `DataError` for a CSV that cannot be read. */
function writeRig(csv: string, to: string): void {
  const { lines, rig } = foundIn(csv);
  try {
    writeFileSync(to, rig, { flag: 'wx' });
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST')
      throw new DataError(`${to}: ${messageOf(error)}`, { cause: error });
    throw new UsageError(`${to}: is there already and is never replaced; name another file`);
  }
  process.stdout.write(
    `${lines.join('\n')}\nwritten: ${to}; replace each FILL IN, then: tripwave check ${to}\n`,
  );
}

/** An export carries its own description, and a hash by which an edited one is known. */
function readExported(path: string): Read {
  let text: string;
  try {
    text = readRegularFile(path, mostExport_bytes).toString('utf8');
  } catch (error) {
    throw new DataError(`${path}: ${messageOf(error)}`, { cause: error });
  }
  const { meta, series, integrity } = readExport(text, path);
  const { sha256, state } = integrity;
  const file = basename(path);
  const id = state === 'intact' ? meta.id : file;
  return {
    record: recordOf({ id, config: meta.config }, series),
    provenance: { file, exportOf: meta.id, state, sha256 },
  };
}

/** What must not be overlooked, on standard error as well as in the verdict. */
function foreignText(path: string, { exportOf, sha256, state }: Provenance): string {
  return state === 'edited'
    ? `WARNING ${path}: EDITED since its export (its content is not that of its SHA-256): judged as a foreign recording, not as ${exportOf}`
    : `WARNING ${path}: has no "# sha256: ..." as its last line, so an edit cannot be excluded: judged as a foreign recording, not as ${exportOf} (SHA-256 of the content ${sha256})`;
}

function plainText(verdict: Verdict): string {
  const { provenance } = verdict;
  if (provenance === undefined) return verdictText(verdict);
  const { exportOf, file, sha256, state } = provenance;
  const what = {
    intact: `intact export of ${exportOf}`,
    edited: `EDITED since its export as ${exportOf}; a foreign recording`,
    'no hash': `claims to be an export of ${exportOf}, without a hash; a foreign recording`,
  }[state];
  return `${file}: ${what} (SHA-256 ${sha256})\n${verdictText(verdict)}`;
}
