/** From when to when no recorder ran, and what the pump did meanwhile, by the samples on both sides. */
import type { DownTime, GapLedger } from '../store/gap-ledger.ts';
import type { TripHistory } from '../store/trip-ledger.ts';
import { bounce_s } from './contact-watch.ts';
import type { FirstSamples, FormerRun } from './former-run.ts';
import type { Log } from './log.ts';
import type { Patience } from './patience.ts';

/** A rig that delivers nothing holds the rebuilding up for so long, in s. */
const firstSample_s = 5;
/** The pump is watched for so long after the first sample, in s; then its state is not known. */
const pumpKnown_s = 10;
/** Before that the detection of a run need not know enough to declare a trip, in s after its first sample. */
const ready_s = 1.5;
/** A trip so shortly before the last durable sample is the stop that the next run finds, in s. */
const sameStop_s = 0.2;

/** This run's detection. */
export interface PumpNow {
  /** Null while nothing is known. */
  readonly isOn: () => boolean | null;
  readonly hasTripped: () => boolean;
  /** Whether a contact or switch has stopped too soon after the first sample to be a trip. */
  readonly hasStoppedTooSoon: () => boolean;
}

export interface DownTimesOptions {
  readonly log: Log;
  readonly gaps: GapLedger;
  /** Wall clock of this run at a monotonic instant, in ms. */
  readonly wallAt_ms: (time_s: number) => number;
  readonly pump: PumpNow;
}

export class DownTimes {
  readonly counters = { tripsUnrecorded: 0 };
  /** What is on record of earlier runs; null: cannot be read, so whether a stop was declared is not known. */
  history: TripHistory | null = null;
  readonly #options: DownTimesOptions;
  readonly #patience: Patience;
  #first_s: number | null = null;
  /** This run has seen the pump run. */
  #wasOn = false;
  /** Since when it has stood, which may be a bounce of its contact; and when it stopped for good before this run was ready to declare a trip. In s. */
  #off_s: number | null = null;
  #stopped_s: number | null = null;

  constructor(options: DownTimesOptions, patience: Patience) {
    this.#options = options;
    this.#patience = patience;
  }

  /** A block has gone all the way; `time_s` is its end. Cheap but in the first moments. */
  sampled(time_s: number): void {
    this.#first_s ??= time_s;
    if (time_s > this.#first_s + ready_s + 2 * bounce_s || this.#stopped_s !== null) return;
    const { isOn, hasTripped, hasStoppedTooSoon } = this.#options.pump;
    const isOnNow = isOn();
    if (isOnNow === true) this.#off_s = null;
    const hasStopped = isOnNow === false && (this.#wasOn || hasStoppedTooSoon());
    if (hasStopped && !hasTripped() && time_s <= this.#first_s + ready_s) this.#off_s ??= time_s;
    if (this.#off_s !== null && time_s - this.#off_s >= bounce_s && !hasTripped())
      this.#stopped_s = this.#off_s;
    this.#wasOn ||= isOnNow === true;
  }

  /** Between a run and the one after it; nothing for the newest, which the present one follows. */
  stateEarlier(run: FormerRun): void {
    if (run.next !== null) this.#state(this.#downTime(run, run.next));
  }

  /** From the end of the run before to the first sample of this one, for which it waits some seconds, or for ever; false when there was none. */
  async stateOwn(former: FormerRun | null, isPatient: boolean): Promise<boolean> {
    const isSampled = await this.#patience.until(
      () => this.#first_s !== null,
      isPatient ? Number.POSITIVE_INFINITY : firstSample_s,
    );
    if (!isSampled) return false;
    if (former === null) return true;
    const { wallAt_ms, pump } = this.#options;
    // A stop that this run has declared is no stop of before.
    const isPumpOn = pump.hasTripped() ? true : pump.isOn();
    const first_ms = wallAt_ms(this.#first_s ?? 0);
    const tooSoon_ms = this.#stopped_s === null ? null : wallAt_ms(this.#stopped_s);
    const down = this.#downTime(former, { first_ms, isPumpOn, tooSoon_ms });
    this.#state(down);
    await this.#watchPump(former, down);
    return true;
  }

  /** Ends with the stop that came too soon: later than the first sample, but before it could have been recorded. */
  #downTime(run: FormerRun, { first_ms, isPumpOn, tooSoon_ms }: FirstSamples): DownTime {
    return {
      kind: 'no-recorder',
      after: run.boot,
      from_ms: run.end_ms,
      to_ms: tooSoon_ms ?? first_ms,
      isClean: this.history?.stopped.has(run.boot) ?? false,
      pump: tooSoon_ms === null ? this.#pump(run, isPumpOn) : 'stopped',
    };
  }

  #pump(run: FormerRun, isOnAfter: boolean | null): DownTime['pump'] {
    if (run.isPumpOn === null || isOnAfter === null) return 'unknown';
    if (!run.isPumpOn || this.#isDeclared(run)) return 'at-rest';
    if (isOnAfter) return 'running';
    // It may have been declared.
    return this.history === null ? 'unknown' : 'stopped';
  }

  /** A pump may stop before this run is ready to declare its trip, and the first samples may be of another line than the contact's. */
  async #watchPump(former: FormerRun, down: DownTime): Promise<void> {
    if (down.pump === 'stopped') return;
    const { isOn, hasTripped } = this.#options.pump;
    await this.#patience.until(() => this.#stopped_s !== null, ready_s + 2 * bounce_s);
    if (this.#stopped_s !== null) {
      const tooSoon_ms = this.#options.wallAt_ms(this.#stopped_s);
      this.#state({ ...down, pump: 'stopped', to_ms: tooSoon_ms });
      return;
    }
    if (down.pump !== 'unknown' || former.isPumpOn === null) return;
    await this.#patience.until(() => isOn() !== null, pumpKnown_s);
    const pump = this.#pump(former, hasTripped() ? true : isOn());
    if (pump !== 'unknown') this.#state({ ...down, pump });
  }

  #state(down: DownTime): void {
    const { log, gaps } = this.#options;
    const { from_ms, to_ms, isClean, pump } = down;
    const words = {
      from: new Date(from_ms).toISOString(),
      to: new Date(to_ms).toISOString(),
      isClean,
      pump,
    };
    if (pump === 'stopped') {
      this.counters.tripsUnrecorded++;
      log.error(words, 'pump stopped while no recorder ran');
    } else log.warn(words, 'no recorder ran');
    // Its ledger may be the file that the disk refuses: nothing waits for it.
    void gaps.add(down);
  }

  /** The ring may end before the samples of a trip that is on record all the same. */
  #isDeclared({ boot, end_s }: FormerRun): boolean {
    const declared = this.history?.declared ?? [];
    return declared.some((trip) => trip.boot === boot && trip.trip_s > end_s - sameStop_s);
  }
}
