/** `tripwave analyse EVENT|FILE.csv`: the verdict of one record, from a folder or from anyone's CSV. */
import { closeSync, openSync, readFileSync, readSync, statSync } from 'node:fs';
import { Command } from 'commander';
import { analyse } from '../analysis/analyse.ts';
import { DataError, UsageError } from '../errors.ts';
import { isExport, readExport } from '../report/read-export.ts';
import { loadEvent, recordOf } from '../store/load-record.ts';
import { version } from '../version.ts';
import { readConfig } from './check.ts';
import { recordFromCsv } from './csv-record.ts';
import { verdictText } from './verdict-text.ts';

interface Options {
  readonly config?: string;
  readonly json?: boolean;
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
    .option('--json', 'the verdict as one JSON object')
    .addHelpText(
      'after',
      '\nA CSV needs a rig file such as config/recording.yaml: it names the columns and gives bore, length and wave speed.',
    )
    .action(async (path: string, options: Options) => {
      const record = await readRecord(path, options);
      const verdict = analyse(record, { revision: 1, software: version, reason: 'analyse command' });
      process.stdout.write(options.json ? `${JSON.stringify(verdict)}\n` : verdictText(verdict));
    });
}

/** An export of this program carries its own description. */
function beginsAsExport(path: string): boolean {
  const file = openSync(path, 'r');
  try {
    const head = Buffer.alloc(200);
    return isExport(head.toString('utf8', 0, readSync(file, head)));
  } finally {
    closeSync(file);
  }
}

async function readRecord(path: string, { config }: Options) {
  const kind = statSync(path, { throwIfNoEntry: false });
  if (kind === undefined)
    throw new DataError(`${path}: no such file or folder; an event folder or a CSV file is allowed`);
  if (kind.isDirectory()) return (await loadEvent(path)).record;
  if (config === undefined && beginsAsExport(path)) {
    const { meta, series } = readExport(readFileSync(path, 'utf8'), path);
    return recordOf({ id: meta.id, config: meta.config }, series);
  }
  if (config === undefined) {
    throw new UsageError(
      `${path}: a CSV needs --config with a rig file that names its columns (see config/recording.yaml)`,
    );
  }
  const warn = (line: string) => process.stderr.write(`${line}\n`);
  return recordFromCsv(path, readConfig(config, warn), warn);
}
