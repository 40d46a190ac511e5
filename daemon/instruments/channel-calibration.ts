/**
 * Dated calibrations folded into a channel. Each entry corrects what the channel showed under the entries before it:
 * corrected = offset + scale * shown. SI throughout, pressure gauge, instants in ms since 1970.
 */
import type { AppliedCalibration, CalibrationEntry, ChannelConfig, RigConfig } from '../../config/rig.ts';
import { fewPointsFactor } from '../statistics/student.ts';
import { together } from '../statistics/uncertainty.ts';
import { type CalibrationFit, fitCalibration } from './calibration-fit.ts';

/** Number of entries that have begun at `wall_ms`: 0 when none has, else the version that holds. */
export function calibrationAt(channel: ChannelConfig, wall_ms: number): number {
  return (channel.calibrations ?? []).filter(({ from_ms }) => from_ms <= wall_ms).length;
}

/**
 * The channel with everything folded in that holds at `wall_ms`; its `calibrations` are gone and `calibration` says what
 * was applied. The same channel when it has none, or has been calibrated before.
 */
export function calibratedChannel(channel: ChannelConfig, wall_ms: number): ChannelConfig {
  const { calibrations, ...bare } = channel;
  if (calibrations === undefined) return channel;
  const count = calibrationAt(channel, wall_ms);
  let folded: ChannelConfig = bare;
  for (let i = 0; i < count; i++) folded = fold(folded, calibrations[i], i + 1, wall_ms);
  return folded;
}

/** The rig with every channel calibrated as of `wall_ms`; the same object when no channel has calibrations. */
export function calibratedRig(config: RigConfig, wall_ms: number): RigConfig {
  if (config.channels.every(({ calibrations }) => calibrations === undefined)) return config;
  return { ...config, channels: config.channels.map((channel) => calibratedChannel(channel, wall_ms)) };
}

/** What is applied at `wall_ms`, in a few characters: it changes when a version begins or falls due. */
export function calibrationState(config: RigConfig, wall_ms: number): string {
  return config.channels
    .map((channel) => {
      const version = calibrationAt(channel, wall_ms);
      const due_ms = channel.calibrations?.[version - 1]?.due_ms ?? null;
      return `${version}${isOver(due_ms, wall_ms) ? '!' : ''}`;
    })
    .join(' ');
}

/**
 * What the calibration in force found wrong under the one before it: shown less corrected at the end of the measuring range
 * where that is larger, in SI, with the days in between. `isLarge`: more than twice the stated standard uncertainty. Null
 * for a channel without a calibration before.
 */
export function driftFound({
  calibration,
  range,
  uncertainty,
}: ChannelConfig): { readonly value: number; readonly days: number; readonly isLarge: boolean } | null {
  const before_ms = calibration?.previousFrom_ms ?? null;
  if (calibration === undefined || before_ms === null) return null;
  const { offset, scale } = calibration.correction;
  const errors = range.map((at) => ({ at, value: (at - offset) / scale - at }));
  const { at, value } = errors.reduce((a, b) => (Math.abs(b.value) > Math.abs(a.value) ? b : a));
  const allowed = 2 * together(uncertainty.absolute, uncertainty.relative * at);
  return { value, days: (calibration.from_ms - before_ms) / 86_400_000, isLarge: Math.abs(value) > allowed };
}

/** The straight line of an entry with two points or more; null for a zero. */
export function fitEntry(entry: CalibrationEntry): CalibrationFit | null {
  if (entry.kind === 'zero') return null;
  const shown = entry.points.map(({ reading }) => reading);
  const reference = entry.points.map(({ reference }) => reference);
  return fitCalibration(shown, reference, 1, entry.repeatability);
}

/** The same calibration for a channel whose values are divided by `divisor`, as a flow is by the bore. */
export function dividedCalibration(calibration: AppliedCalibration, divisor: number): AppliedCalibration {
  const { correction, covariance, deviation, referenceUncertainty } = calibration;
  return {
    ...calibration,
    correction: { offset: correction.offset / divisor, scale: correction.scale },
    covariance:
      covariance === null ? null : [covariance[0] / divisor ** 2, covariance[1] / divisor, covariance[2]],
    deviation: deviation === null ? null : deviation / divisor,
    referenceUncertainty: referenceUncertainty === null ? null : referenceUncertainty / divisor,
  };
}

function isOver(due_ms: number | null, wall_ms: number): boolean {
  return due_ms !== null && due_ms <= wall_ms;
}

type Correction = Pick<
  AppliedCalibration,
  'correction' | 'covariance' | 'deviation' | 'degrees' | 'referenceUncertainty'
>;

function fold(
  channel: ChannelConfig,
  entry: CalibrationEntry,
  version: number,
  wall_ms: number,
): ChannelConfig {
  const fit = fitEntry(entry);
  const found = fit === null ? zeroCorrection(channel, entry) : lineCorrection(entry, fit);
  const { offset, scale } = found.correction;
  const { kind, from_ms, due_ms, certificate, by, note } = entry;
  return {
    ...channel,
    scale: scale * channel.scale,
    offset: offset + scale * channel.offset,
    uncertainty: uncertaintyOf(channel, found),
    calibration: {
      version,
      kind,
      from_ms,
      previousFrom_ms: channel.calibration?.from_ms ?? null,
      due_ms,
      certificate,
      by,
      note,
      ...found,
      status: isOver(due_ms, wall_ms) ? 'overdue' : 'good',
    },
  };
}

function lineCorrection(entry: CalibrationEntry, fit: CalibrationFit): Correction {
  const [offset, scale] = fit.coefficients;
  const covariance = fit.covariance;
  return {
    correction: { offset, scale },
    covariance: covariance === null ? null : [covariance[0], covariance[1], covariance[3]],
    deviation: fit.deviation,
    degrees: entry.repeatability === null ? fit.degrees : null,
    referenceUncertainty: entry.referenceUncertainty,
  };
}

/** Moves the channel at one point; its slope, and what is known of slope and scatter, stay as they were. */
function zeroCorrection({ calibration }: ChannelConfig, entry: CalibrationEntry): Correction {
  const [{ reference, reading }] = entry.points;
  const before = calibration?.covariance ?? null;
  const u = entry.repeatability;
  const slope = before?.[2] ?? 0;
  return {
    correction: { offset: reference - reading, scale: 1 },
    covariance:
      before === null || u === null ? null : [u * u + reading * reading * slope, -reading * slope, slope],
    deviation: calibration?.deviation ?? u,
    degrees: calibration?.deviation == null ? null : calibration.degrees,
    // What is wrong with the reference of the slope stays in the span.
    referenceUncertainty:
      calibration === undefined
        ? entry.referenceUncertainty
        : bothKnown(calibration.referenceUncertainty, entry.referenceUncertainty),
  };
}

function bothKnown(a: number | null, b: number | null): number | null {
  return a === null || b === null ? null : together(a, b);
}

/**
 * Where the scatter and the reference are both known they replace what the rig file states; otherwise what it states
 * stays and the reference is added. Fixed part: reference, one reading, the line at zero; relative part: the slope. For
 * readings above zero this bounds the line's own uncertainty, whose covariance is negative.
 */
function uncertaintyOf(
  channel: ChannelConfig,
  { correction, covariance, deviation, degrees, referenceUncertainty }: Correction,
): ChannelConfig['uncertainty'] {
  const { absolute, relative } = channel.uncertainty;
  if (covariance === null || deviation === null || referenceUncertainty === null) {
    return { absolute: together(correction.scale * absolute, referenceUncertainty ?? 0), relative };
  }
  const few = fewPointsFactor(degrees);
  // Zero kelvin is so far from every point that slope and offset must be taken together.
  if (channel.unit === 'K') {
    const line = Math.max(...channel.range.map((value) => lineVariance(covariance, value)));
    return { absolute: together(referenceUncertainty, few * deviation, few * Math.sqrt(line)), relative: 0 };
  }
  return {
    absolute: together(referenceUncertainty, few * deviation, few * Math.sqrt(covariance[0])),
    relative: (few * Math.sqrt(covariance[2])) / Math.abs(correction.scale),
  };
}

/** Variance of offset + scale * shown. */
function lineVariance([offset, both, slope]: readonly [number, number, number], shown: number): number {
  return Math.max(0, offset + 2 * both * shown + slope * shown * shown);
}
