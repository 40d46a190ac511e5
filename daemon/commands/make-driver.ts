/** The drivers of the house, with the one thing that only the daemon can give them: the reader of event folders. */
import { statSync } from 'node:fs';
import { join } from 'node:path';
import type { Driver } from '../../drivers/driver.ts';
import type { LineSpec } from '../../drivers/line-spec.ts';
import { createRecordingDriver } from '../../drivers/recording/driver.ts';
import type { Recording } from '../../drivers/recording/recording.ts';
import { createDriver } from '../../drivers/registry.ts';
import { readRegularFile } from '../../drivers/regular-file.ts';
import { decodeTrace } from '../store/trace.ts';

/** Throws `DataError` for a recording that cannot be read; a live device that is absent is no error. */
export function makeDriver(line: LineSpec): Driver | Promise<Driver> {
  if (line.driver !== 'recording') return createDriver(line);
  return createRecordingDriver(line, readTrace);
}

/** Size of the largest trace that is played, in bytes: it is held in memory. */
const mostTrace_bytes = 1e9;

/** The trace of an event folder, or a trace file, as blocks. */
function readTrace(path: string): Recording {
  const file = statSync(path).isDirectory() ? join(path, 'trace.bin') : path;
  const { header, blocks } = decodeTrace(readRegularFile(file, mostTrace_bytes), file);
  return { groups: header.groups, blocks };
}
