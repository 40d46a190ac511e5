/** Anyone's CSV, described by a rig file with a recording line, as a record for the analysis. */
import { basename } from 'node:path';
import { ConfigError } from '../../config/fault.ts';
import type { RigConfig } from '../../config/rig.ts';
import type { RecordingLineSpec } from '../../drivers/line-spec.ts';
import { readCsvFile } from '../../drivers/recording/csv.ts';
import { pickChannels, recordingOfCsv } from '../../drivers/recording/recording.ts';
import type { EventRecord, Series } from '../analysis/record.ts';
import { calibratedRig } from '../instruments/channel-calibration.ts';
import { recordOf, seriesOf } from '../store/load-record.ts';

/** The recording lines of a rig file. Throws ConfigError when there is none. */
export function recordingLines(config: RigConfig): readonly RecordingLineSpec[] {
  const lines = config.lines.filter((line) => line.driver === 'recording');
  if (lines.length > 0) return lines;
  throw new ConfigError([
    {
      severity: 'fault',
      file: config.name,
      place: null,
      path: 'lines',
      message: 'found no line with "driver: recording"; one that names the columns of the CSV is needed',
    },
  ]);
}

/**
 * Reads the whole file as one event, with the calibrations that hold today: a CSV seldom says when it was made. Refused rows and cells without a number are counted and named through `warn`.
 * Throws DataError for a file or a column that cannot be read.
 */
export function recordFromCsv(path: string, rig: RigConfig, warn: (line: string) => void): EventRecord {
  const config = calibratedRig(rig, Date.now());
  const series = new Map<string, Series>();
  for (const line of recordingLines(config)) {
    const table = readCsvFile(path, line.csv);
    for (const { line: row, why } of table.refused) warn(`${path}:${row}: row refused: ${why}`);
    if (table.rowsRefused > table.refused.length) {
      warn(`${path}: ${table.rowsRefused} rows refused in all; the first ${table.refused.length} are named`);
    }
    if (table.cellsMissing > 0)
      warn(`${path}: ${table.cellsMissing} cells are not numbers; those samples are marked as suspect`);
    const recording = pickChannels(recordingOfCsv(table, line.channels), line.channels);
    for (const [id, own] of seriesOf({ config }, recording.groups, recording.blocks)) {
      if (own.time_s.length > 0 || !series.has(id)) series.set(id, own);
    }
  }
  return recordOf({ config, id: basename(path) }, series);
}
