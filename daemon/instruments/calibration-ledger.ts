/**
 * calibrations.jsonl in the data folder: one line for every version of a calibration that was ever applied, with a
 * fingerprint of what was written. Lines are only added. The rig file is where calibrations are told; the ledger is how an
 * edited or removed one is noticed, instead of changing numbers in silence.
 */
import { createHash } from 'node:crypto';
import { join } from 'node:path';
import { ConfigError, type Fault } from '../../config/fault.ts';
import type { CalibrationEntry, ChannelConfig, RigConfig } from '../../config/rig.ts';
import { DataError } from '../errors.ts';
import { disk, type Files, isMissing, messageOf, writeWhole } from '../store/files.ts';

/** One version that was applied. */
export interface LedgerLine {
  readonly rig: string;
  readonly channel: string;
  readonly version: number;
  /** UTC. */
  readonly from: string;
  /** Of `written`, in hex. */
  readonly sha256: string;
  /** As it stood in the rig file (see `CalibrationEntry.written`). */
  readonly written: string;
  /** When it was applied first, UTC. */
  readonly first: string;
}

/** Name of the ledger in a data folder. */
export function ledgerPath(dataFolder: string): string {
  return join(dataFolder, 'calibrations.jsonl');
}

/** Empty when there is none. Throws `DataError` with line and remedy for one that is damaged. */
export async function readLedger(dataFolder: string, files: Files = disk): Promise<readonly LedgerLine[]> {
  const path = ledgerPath(dataFolder);
  let text: string;
  try {
    text = Buffer.from(await files.read(path)).toString('utf8');
  } catch (error) {
    if (isMissing(error)) return [];
    throw new DataError(`${path} cannot be read: ${messageOf(error)}`, { cause: error });
  }
  return text
    .split('\n')
    .slice(0, -1)
    .map((line, i) => readLine(line, `${path}:${i + 1}`));
}

function readLine(text: string, where: string): LedgerLine {
  const remedy = 'put the file back from a copy, or move it away to begin a new one';
  let line: LedgerLine;
  try {
    line = JSON.parse(text);
  } catch (error) {
    throw new DataError(`${where}: found no JSON; ${remedy}`, { cause: error });
  }
  if (typeof line?.written !== 'string' || line.sha256 !== fingerprint(line.written)) {
    throw new DataError(`${where}: the fingerprint does not belong to the line: it was edited; ${remedy}`);
  }
  return line;
}

/** Every version in the ledger that the rig file now tells differently, or not at all; empty when all is as it was. */
export function ledgerFaults(config: RigConfig, lines: readonly LedgerLine[]): readonly Fault[] {
  const path = ledgerPath(config.dataFolder);
  const faults: Fault[] = [];
  lines.forEach((line, i) => {
    if (line.rig !== config.name) return;
    const channel = config.channels.find(({ id }) => id === line.channel);
    // A channel of an event or of another rig file tells what was applied, not what could be.
    if (channel === undefined || channel.calibration !== undefined) return;
    const entry = channel.calibrations?.find(({ from_ms }) => isoText(from_ms) === line.from);
    const what = whatChanged(line, entry);
    if (what === null) return;
    faults.push({
      severity: 'fault',
      file: path,
      place: { line: i + 1, column: 1 },
      path: `${line.channel}, calibration from ${line.from}`,
      message: `${what}; it was first applied on ${line.first}: put it back as it was, and add a newer entry for what is new`,
    });
  });
  return faults;
}

function whatChanged(line: LedgerLine, entry: CalibrationEntry | undefined): string | null {
  if (entry === undefined) return 'found no such entry in the rig file any more';
  if (fingerprint(entry.written) === line.sha256) return null;
  const now = JSON.parse(entry.written) as Record<string, unknown>;
  const then = JSON.parse(line.written) as Record<string, unknown>;
  const keys = [...new Set([...Object.keys(now), ...Object.keys(then)])].filter(
    (key) => JSON.stringify(now[key]) !== JSON.stringify(then[key]),
  );
  const text = (value: unknown) => (value === undefined ? 'nothing' : JSON.stringify(value));
  return keys.map((key) => `${key}: found ${text(now[key])}, was ${text(then[key])}`).join('; ');
}

/**
 * Enters every version that has begun at `wall_ms` and is not there yet; resolves with how many when they are on the
 * medium. Throws `ConfigError` when a version was changed or removed since, and then writes nothing; rejects with the
 * system's error when the disk fails, and then the ledger is as it was. Only for whoever holds the data folder: removes what a
 * start left that was killed in the middle.
 */
export async function enterCalibrations(
  config: RigConfig,
  wall_ms: number,
  files: Files = disk,
): Promise<number> {
  const path = ledgerPath(config.dataFolder);
  // The whole file anew under another name: a power cut leaves the old ledger or the new one, never half a line.
  const temporary = `${path}.tmp`;
  await files.remove(temporary);
  const lines = await readLedger(config.dataFolder, files);
  const faults = ledgerFaults(config, lines);
  if (faults.length > 0) throw new ConfigError(faults);
  const known = new Set(
    lines.filter(({ rig }) => rig === config.name).map(({ channel, from }) => `${channel} ${from}`),
  );
  const fresh = config.channels.flatMap((channel) =>
    linesOf(config.name, channel, wall_ms).filter(({ from }) => !known.has(`${channel.id} ${from}`)),
  );
  if (fresh.length === 0) {
    // Whoever entered them may have been killed before their name was made to last.
    if (lines.length > 0) await files.syncFolder(config.dataFolder);
    return 0;
  }
  await files.makeFolder(config.dataFolder);
  const text = [...lines, ...fresh].map((line) => `${JSON.stringify(line)}\n`).join('');
  await writeWhole(files, temporary, [Buffer.from(text)]);
  await files.rename(temporary, path);
  await files.syncFolder(config.dataFolder);
  return fresh.length;
}

function linesOf(rig: string, channel: ChannelConfig, wall_ms: number): readonly LedgerLine[] {
  return (channel.calibrations ?? []).flatMap(({ from_ms, written }, i) =>
    from_ms > wall_ms
      ? []
      : [
          {
            rig,
            channel: channel.id,
            version: i + 1,
            from: isoText(from_ms),
            sha256: fingerprint(written),
            written,
            first: isoText(wall_ms),
          },
        ],
  );
}

function fingerprint(written: string): string {
  return createHash('sha256').update(written).digest('hex');
}

function isoText(wall_ms: number): string {
  return new Date(wall_ms).toISOString();
}
