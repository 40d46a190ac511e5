/** The table of errors and exit codes, and the error kinds that cross module boundaries. */
import { DataError } from '../drivers/data-error.ts';

/** How a process ends, and what a person does about it. */
export interface ExitRow {
  /** Exit status, after sysexits.h. */
  readonly code: number;
  readonly text: string;
  readonly remedy: string;
  /** Names of the errors that end a command so. */
  readonly errors: readonly string[];
}

/** THE table of errors; an error that is in no row is a bug. `test/unit/errors.test.ts` holds code and documents to it. */
export const exitRows = {
  ok: { code: 0, text: 'ok', remedy: 'nothing to do', errors: [] },
  usage: {
    code: 64,
    text: 'wrong use',
    remedy: 'call the command as its --help shows',
    errors: ['UsageError', 'CommanderError', 'InvalidArgumentError'],
  },
  badData: {
    code: 65,
    text: 'bad data',
    remedy: 'correct or replace the file that the message names',
    errors: ['DataError'],
  },
  unavailable: {
    code: 69,
    text: 'something outside is not available',
    remedy: 'bring back what the message names (port, device, right) and start again',
    errors: ['UnavailableError'],
  },
  bug: {
    code: 70,
    text: 'a bug',
    remedy: 'start again, the records are whole; report the lines that begin with "bug:"',
    errors: ['Error', 'TypeError', 'RangeError', 'BusyError', 'DamagedDatabase'],
  },
  badConfig: {
    code: 78,
    text: 'bad configuration',
    remedy: 'correct each fault that is named, until "check" finds none',
    errors: ['ConfigError'],
  },
} as const satisfies Readonly<Record<string, ExitRow>>;

/** The exit status of each row. */
export const exit = {
  ok: exitRows.ok.code,
  usage: exitRows.usage.code,
  badData: exitRows.badData.code,
  unavailable: exitRows.unavailable.code,
  bug: exitRows.bug.code,
  badConfig: exitRows.badConfig.code,
} as const;

/** The row of whatever was thrown. */
export function exitRowOf(error: unknown): ExitRow {
  const name = error instanceof Error ? error.name : '';
  const rows: readonly ExitRow[] = Object.values(exitRows);
  return rows.find(({ errors }) => errors.includes(name)) ?? exitRows.bug;
}

/** Bad arguments on the command line. */
export class UsageError extends Error {
  override name = 'UsageError';
}

/** Something outside is not there (port in use, no pseudo-terminals); the message says the remedy. */
export class UnavailableError extends Error {
  override name = 'UnavailableError';
}

/** Cannot be done now, for others are being served; worth another try after `retryAfter_s`. Routes answer it with 429 or 503. */
export class BusyError extends Error {
  override name = 'BusyError';
  readonly retryAfter_s: number;

  constructor(message: string, retryAfter_s: number) {
    super(message);
    this.retryAfter_s = retryAfter_s;
  }
}

// Drivers read files as well, and import nothing of the daemon.
export { DataError };
