/** Random rigs against their truth: draws, judges, and keeps of each trip what the tables need. */
import type { LegResults, Result, SeverityClass } from '../../daemon/analysis/verdict.ts';
import { type Case, figures, isPlain, judgeTrip, truthsOf } from '../support/accuracy.ts';
import type { RigKind } from '../support/random-rig.ts';
import type { Judged } from './statistics.ts';

/** Which trips: seeds below `tuning_seeds` were never drawn before; the hold-out half starts 500 000 higher. */
export const tuningSeed = 100_000;
export const holdOutSeed = 600_000;

/** One trip of the study. A figure is null when it was withheld; it is absent when the plant has no truth for it. */
export interface StudyRow {
  readonly seed: number;
  readonly rate_Hz: number;
  readonly kind: RigKind;
  /** Instruments beyond the ordinary. */
  readonly isWide: boolean;
  /** One slam, after the reversal. */
  readonly isPlain: boolean;
  readonly figures: Partial<Record<keyof LegResults, Judged | null>>;
  /**
   * The figures that the prototype defines otherwise: seating and reversal are instants (in ms, free of the error of the
   * trip), and a largest sample is held against the largest pressure at the tap that it was taken from (in %).
   */
  readonly asPrototype: Readonly<Record<'seating' | 'reversal' | 'surgeRaw', Judged | null>>;
  readonly severity: SeverityClass;
  /** Class by the true equivalent velocity; null without a seating. */
  readonly trueSeverity: SeverityClass | null;
  /** Whether it lies outside the interval, and outside one of twice its width. */
  readonly isOutside: boolean;
  readonly isFarOutside: boolean;
  readonly flags: readonly string[];
}

/** Two rigs of five have instruments beyond the ordinary. */
export function isWideSeed(seed: number): boolean {
  return Math.floor(seed / 10) % 5 < 2;
}

export function studyRow(seed: number, rate_Hz: number): StudyRow {
  const isWide = isWideSeed(seed);
  return rowOf(judgeTrip(seed, rate_Hz, {}, isWide), rate_Hz, isWide);
}

export function rowOf(one: Case, rate_Hz: number, isWide: boolean): StudyRow {
  const truths = truthsOf(one);
  const { results, severity, flags } = one.verdict;
  const judged: Partial<Record<keyof LegResults, Judged | null>> = {};
  for (const { name, scale, isRelative } of figures) {
    const truth = truths[name];
    if (truth === undefined) continue;
    const result = results[name];
    const unit = scale / (isRelative ? Math.abs(truth) : 1);
    judged[name] =
      result.value === null
        ? null
        : {
            error: (result.value - truth) * unit,
            low: (result.low - truth) * unit,
            high: (result.high - truth) * unit,
          };
  }
  const { trip } = results;
  const instant = (result: Result, true_s: number | null): Judged | null => {
    if (result.value === null || trip.value === null || true_s === null) return null;
    const from_s = trip.value - true_s;
    return {
      error: 1e3 * (from_s + result.value),
      low: 1e3 * (from_s + result.low),
      high: 1e3 * (from_s + result.high),
    };
  };
  const truth = truths.equivalentReverseVelocity;
  const { mild_mps, severe_mps } = severity;
  const trueSeverity =
    truth === undefined ? null : truth < mild_mps ? 'none' : truth < severe_mps ? 'mild' : 'severe';
  const wrong =
    trueSeverity !== null &&
    severity.class !== 'at-limit' &&
    severity.class !== 'unknown' &&
    severity.class !== trueSeverity;
  const equivalent = results.equivalentReverseVelocity;
  const beyond = (times: number) =>
    wrong &&
    truth !== undefined &&
    equivalent.value !== null &&
    (truth > equivalent.value + times * (equivalent.high - equivalent.value) ||
      truth < equivalent.value - times * (equivalent.value - equivalent.low));
  return {
    seed: one.seed,
    rate_Hz,
    kind: one.kind,
    isWide,
    isPlain: isPlain(one),
    figures: judged,
    asPrototype: {
      seating: instant(results.seating, one.truth.seating_s),
      reversal: instant(results.reversal, one.truth.reversal_s),
      surgeRaw: atTap(results.surgeRaw, one),
    },
    severity: severity.class,
    trueSeverity,
    isOutside: beyond(1),
    isFarOutside: beyond(2),
    flags: flags.map(({ code }) => code),
  };
}

/** A surge against that at the outlet tap, in %. */
function atTap(result: Result, { truth }: Case): Judged | null {
  if (result.value === null || truth.staticAfter_Pa === null) return null;
  const true_Pa = truth.peakAtTap_Pa - truth.staticAfter_Pa;
  const off = (value: number) => (100 * (value - true_Pa)) / Math.abs(true_Pa);
  return { error: off(result.value), low: off(result.low), high: off(result.high) };
}
