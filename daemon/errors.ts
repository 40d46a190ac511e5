/** Exit codes and the error kinds that cross module boundaries. */
import { DataError } from '../drivers/data-error.ts';

/** After sysexits.h. */
export const exit = { ok: 0, usage: 64, badData: 65, unavailable: 69, bug: 70, badConfig: 78 } as const;

/** Bad arguments on the command line. */
export class UsageError extends Error {
  override name = 'UsageError';
}

/** Something outside is not there (port in use, no pseudo-terminals); the message says the remedy. */
export class UnavailableError extends Error {
  override name = 'UnavailableError';
}

/** Cannot be done now, for others are being served; worth another try after `retryAfter_s`. */
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
