/** What must be in order before a recorder may write into a data folder. */
import type { RigConfig } from '../../config/rig.ts';
import type { Clock } from '../../drivers/clock.ts';
import type { Counters } from '../../drivers/driver.ts';
import { setTornAside } from '../store/event-folder.ts';
import { type Files, messageOf } from '../store/files.ts';
import { lockWhenPossible } from '../store/folder-lock.ts';
import { GapLedger } from '../store/gap-ledger.ts';
import { type RingRecovery, recoverRing } from '../store/ring-recover.ts';
import { type TripHistory, TripLedger } from '../store/trip-ledger.ts';
import { CalibrationKeeper } from './calibration-keeper.ts';
import { type Log, QuietLog } from './log.ts';

export interface Prepared {
  readonly calibrations: CalibrationKeeper;
  /** What was found from an earlier run. */
  readonly counters: Counters;
  readonly trips: TripLedger;
  readonly gaps: GapLedger;
  /** Trips of earlier runs; null where their ledger cannot be read. */
  readonly history: TripHistory | null;
  /** The disk, as it may be used under the lock of the folder. */
  readonly files: Files;
  readonly release: () => void;
}

/**
 * Locks the folder, folds the calibrations in and sets aside what an interrupted recorder left behind. Rejects with
 * `UnavailableError` when another recorder has the folder, `ConfigError` when a person has to mend it or a calibration that was
 * applied before reads otherwise now, `DataError` when the ledger of calibrations is damaged; then the folder is free again.
 */
export async function prepare(config: RigConfig, disk: Files, log: Log, clock: Clock): Promise<Prepared> {
  const lock = lockWhenPossible(config.dataFolder, disk);
  const { files, why } = lock;
  if (why !== null)
    log.error(
      { why, data: config.dataFolder },
      'disk full: everything is kept in memory alone until there is room',
    );
  try {
    const calibrations = new CalibrationKeeper(config, files, log);
    await calibrations.begin(clock.wall_ms());
    const torn = await setAsideIfPossible(config.dataFolder, files, log);
    for (const folder of torn) log.warn({ folder }, 'unfinished event of an earlier run set aside');
    const ring = await recoverIfPossible(config.dataFolder, files, log);
    const ledgers = await beginLedgers(config.dataFolder, files, log, clock);
    const counters = { tornSetAside: torn.length, ...ring, tripLinesTorn: ledgers.history?.linesTorn ?? 0 };
    return { calibrations, counters, ...ledgers, files, release: () => lock.release() };
  } catch (error) {
    lock.release();
    throw error;
  }
}

/** What stays under its unfinished name is taken for no event; the next start sets it aside. */
async function setAsideIfPossible(dataFolder: string, files: Files, log: Log): Promise<readonly string[]> {
  try {
    return await setTornAside(dataFolder, files);
  } catch (error) {
    log.error({ why: messageOf(error) }, 'unfinished events of an earlier run not set aside');
    return [];
  }
}

/** A ring that cannot be put in order is a loss of the past; the present is recorded all the same. */
async function recoverIfPossible(dataFolder: string, files: Files, log: Log): Promise<RingRecovery> {
  try {
    const ring = await recoverRing(dataFolder, files);
    if (ring.ringTailsRecovered > 0) log.warn({ ...ring }, 'ring of an earlier run recovered');
    return ring;
  } catch (error) {
    log.error({ why: messageOf(error) }, 'ring of an earlier run not recovered');
    return { ringTailsRecovered: 0, ringBytesTorn: 0 };
  }
}

/** A ledger that cannot be read costs what it holds of the run before: neither the other ledger nor the trips to come. */
async function beginLedgers(
  dataFolder: string,
  files: Files,
  log: Log,
  clock: Clock,
): Promise<Pick<Prepared, 'trips' | 'gaps' | 'history'>> {
  const quiet = new QuietLog(log, clock.monotonic_s);
  const refused = (what: string) => (error: unknown) =>
    quiet.warn({ what, why: messageOf(error) }, 'ledger not written, will be tried again');
  const trips = new TripLedger(dataFolder, files, refused('trips.jsonl'), clock);
  const gaps = new GapLedger(dataFolder, files, refused('gaps.jsonl'), clock);
  try {
    await gaps.begin(dataFolder, files);
  } catch (error) {
    log.error({ why: messageOf(error) }, 'times without a recorder cannot be read');
  }
  try {
    return { trips, gaps, history: await trips.begin(dataFolder, files) };
  } catch (error) {
    log.error({ why: messageOf(error) }, 'trips of the run before cannot be read yet');
    return { trips, gaps, history: null };
  }
}
