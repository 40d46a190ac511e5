/** A forked process that answers jobs `{id, kind, seed, rate_Hz}` with `{id, row}`: the study on more than one core. */
import { alarmRow } from './alarms.ts';
import { missingRows } from './missing.ts';
import { studyRow } from './study.ts';
import { wrongRow } from './wrong.ts';

/** What can be asked for. */
export type JobKind = 'study' | 'alarms' | 'wrong' | 'missing';

export interface Job {
  readonly id: number;
  readonly kind: JobKind;
  readonly seed: number;
  readonly rate_Hz: number;
}

const work: Record<JobKind, (seed: number, rate_Hz: number) => unknown> = {
  study: studyRow,
  alarms: alarmRow,
  wrong: wrongRow,
  missing: missingRows,
};

process.on('message', (job: Job) => {
  process.send?.({ id: job.id, row: work[job.kind](job.seed, job.rate_Hz) });
});
process.on('disconnect', () => process.exit(0));
