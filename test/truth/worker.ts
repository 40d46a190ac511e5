/** A forked process that answers jobs `{id, kind, seed, rate_Hz}` with `{id, row}`: the study on more than one core. */
import { alarmRow } from './alarms.ts';
import { gapRows } from './gaps.ts';
import { missingRows } from './missing.ts';
import type { InstrumentSet } from './rig-in-error.ts';
import { studyRow } from './study.ts';
import { tripRows } from './trip-rows.ts';
import { wrongRow } from './wrong.ts';

/** What can be asked for. */
export type JobKind = 'study' | 'alarms' | 'wrong' | 'missing' | 'gaps' | 'trips';

export interface Job {
  readonly id: number;
  readonly kind: JobKind;
  readonly seed: number;
  readonly rate_Hz: number;
  /** Of `trips`, which judges one rig at several rates. */
  readonly rates?: readonly number[];
  readonly instruments?: InstrumentSet;
}

const work: Record<Exclude<JobKind, 'trips'>, (seed: number, rate_Hz: number) => unknown> = {
  study: studyRow,
  alarms: alarmRow,
  wrong: wrongRow,
  missing: missingRows,
  gaps: (seed, rate_Hz) => gapRows(seed, rate_Hz),
};

process.on('message', (job: Job) => {
  const { kind, seed, rate_Hz, rates = [rate_Hz], instruments = 'ordinary' } = job;
  const row = kind === 'trips' ? tripRows(seed, rates, instruments) : work[kind](seed, rate_Hz);
  process.send?.({ id: job.id, row });
});
process.on('disconnect', () => process.exit(0));
