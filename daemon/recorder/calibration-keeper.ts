/** Keeps the rig's calibrations as of now, and the ledger of what was applied. */

import { ConfigError } from '../../config/fault.ts';
import type { RigConfig } from '../../config/rig.ts';
import type { Counters } from '../../drivers/driver.ts';
import { describe } from '../../drivers/registry.ts';
import { DataError } from '../errors.ts';
import { enterCalibrations } from '../instruments/calibration-ledger.ts';
import { calibratedRig, calibrationState } from '../instruments/channel-calibration.ts';
import { type Files, messageOf } from '../store/files.ts';
import type { Log } from './log.ts';

export class CalibrationKeeper {
  readonly counters = { calibrationEntriesFailed: 0 } satisfies Counters;
  /** The rig with the calibrations of the last `begin` or `renew` folded in: what events carry. */
  config: RigConfig;
  private readonly source: RigConfig;
  private readonly files: Files;
  private readonly log: Log;
  private state = '';

  constructor(source: RigConfig, files: Files, log: Log) {
    this.source = source;
    this.config = source;
    this.files = files;
    this.log = log;
  }

  /** Throws `ConfigError` when a version that was applied before reads otherwise now, `DataError` for a damaged ledger. */
  async begin(wall_ms: number): Promise<void> {
    this.fold(wall_ms);
    await this.enter(wall_ms);
  }

  /** Folds anew when a version has begun or fallen due; true when it did. Not to be called while an event is open. */
  renew(wall_ms: number): boolean {
    if (!this.fold(wall_ms)) return false;
    this.log.info({ rig: this.source.name }, 'calibration changed');
    this.enter(wall_ms).catch((error: unknown) => this.failed(error));
    return true;
  }

  private fold(wall_ms: number): boolean {
    const state = calibrationState(this.source, wall_ms);
    if (state === this.state) return false;
    this.state = state;
    this.config = calibratedRig(this.source, wall_ms);
    return true;
  }

  /** A disk that fails does not stop the recording: each event says what was applied, and the next start enters it. */
  private async enter(wall_ms: number): Promise<void> {
    // A recording that is played again is of another time and often of another rig: the ledger is for instruments.
    if (!this.source.lines.some((line) => describe(line).isLive)) return;
    try {
      await enterCalibrations(this.source, wall_ms, this.files);
    } catch (error) {
      if (error instanceof ConfigError || error instanceof DataError) throw error;
      this.failed(error);
    }
  }

  private failed(error: unknown): void {
    this.counters.calibrationEntriesFailed++;
    this.log.error(
      { why: messageOf(error) },
      'calibration not entered into the ledger; events carry it all the same',
    );
  }
}
