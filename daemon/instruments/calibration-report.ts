/** What calibrations say to a person: findings with a place in the rig file, and the lines that `check` prints. */
import type { CalibrationFinding } from '../../config/physics.ts';
import type { CalibrationEntry, ChannelConfig } from '../../config/rig.ts';
import { kindOfQuantity } from '../../config/schema-channel.ts';
import { findUnit } from '../../config/units.ts';
import { fitCalibration, type LackOfFit, lackOfFit, onCalibration } from './calibration-fit.ts';
import { calibratedChannel, calibrationAt, fitEntry } from './channel-calibration.ts';

const day_ms = 86_400_000;
const year_d = 365.25;
/** A slope further than this from 1 is a slip of the pen rather than a drift (judgement). */
const strangeSlope_ratio = 0.2;
/** A drift over fewer days than this says nothing of a year (judgement). */
const leastInterval_d = 7;
/** Probability below which a straight line does not fit (common practice, no source). */
const unlikely = 0.05;

/** Faults: a line that falls. Warnings: overdue, residuals or drift beyond the stated uncertainty, no straight line. */
export function judgeCalibrations(channel: ChannelConfig, now_ms: number): readonly CalibrationFinding[] {
  const entries = channel.calibrations ?? [];
  const found: CalibrationFinding[] = [];
  const warn = (entry: number, key: CalibrationFinding['key'], message: string) =>
    found.push({ severity: 'warning', entry, key, message });
  entries.forEach((entry, i) => {
    const key = entry.kind === 'zero' ? 'zero' : 'points';
    const line = lineOf(channel, entry);
    if (line !== null && !(line.slope > 0)) {
      const message =
        'found readings that fall while the references rise; two columns are probably exchanged';
      found.push({ severity: 'fault', entry: i, key, message });
      return;
    }
    if (line !== null && Math.abs(line.slope - 1) > strangeSlope_ratio) {
      warn(
        i,
        key,
        `the slope is off by ${percent(line.slope - 1)}: are the points [reference, shown], in this unit?`,
      );
    }
    if (line !== null && Math.abs(line.worst.residual) > line.worst.allowed) {
      warn(
        i,
        key,
        `the points miss the straight line by up to ${line.text(line.worst.residual)} at ${line.text(line.worst.at, true)}; ` +
          `twice the stated uncertainty is ${line.text(line.worst.allowed)}: state a larger one, or have the instrument looked at`,
      );
    }
    if (line?.lack != null && line.lack.p < unlikely) {
      warn(
        i,
        key,
        `a straight line does not fit: lack of fit F = ${short(line.lack.ratio)}, p = ${short(line.lack.p)}`,
      );
    }
    const drift = driftOf(channel, i);
    if (drift?.isTooLarge === true) warn(i, key, `${drift.text}: more than twice the stated uncertainty`);
  });
  const holds = calibrationAt(channel, now_ms) - 1;
  const due_ms = entries[holds]?.due_ms ?? null;
  if (due_ms !== null && due_ms <= now_ms) {
    warn(holds, 'due', `${channel.id} has been due for calibration since ${dayText(due_ms)}`);
  }
  return found;
}

/** One line a version, for `check`: what it corrects, how well it fits, what has drifted since the one before. */
export function calibrationLines(channel: ChannelConfig, now_ms: number): readonly string[] {
  const holds = calibrationAt(channel, now_ms);
  return (channel.calibrations ?? []).map((entry, i) => {
    const parts = [`${channel.id}: calibration ${i + 1}, ${entry.kind}, from ${dayText(entry.from_ms)}`];
    if (i + 1 === holds) parts.push('applies now');
    if (i + 1 > holds) parts.push('not yet');
    const line = lineOf(channel, entry);
    if (line === null) {
      const [{ reference, reading }] = entry.points;
      parts.push(`zero moved by ${textOf(channel)(reference - reading)}`);
    } else {
      parts.push(
        `corrected = ${short6(line.slope)} x shown ${line.offset < 0 ? '-' : '+'} ${line.text(Math.abs(line.offset))}`,
        ...(line.residuals.length > 2 ? [residualText(line.residuals, line.text)] : []),
      );
      if (line.deviation !== null) parts.push(`standard deviation ${line.text(line.deviation)}`);
      else parts.push('scatter unknown: give "repeatability" or a third point');
      parts.push(
        line.lack === null
          ? 'lack of fit not tested (no reference twice)'
          : `lack of fit F = ${short(line.lack.ratio)}, p = ${short(line.lack.p)}`,
      );
    }
    const drift = driftOf(channel, i);
    if (drift !== null) parts.push(drift.text);
    if (entry.due_ms !== null) parts.push(`due ${dayText(entry.due_ms)}`);
    return parts.join('; ');
  });
}

/** All of them while one line holds them. */
function residualText(residuals: readonly number[], text: Text): string {
  if (residuals.length <= 8) return `residuals ${residuals.map((residual) => text(residual)).join(', ')}`;
  const worst = Math.max(...residuals.map(Math.abs));
  return `${residuals.length} residuals up to ${text(worst)}`;
}

type Text = (value: number, isReading?: boolean) => string;

/** A difference, or with `isReading` a value of the channel, in the unit people read: two digits of a small one. */
function textOf(channel: ChannelConfig): Text {
  const kind = kindOfQuantity[channel.quantity];
  const unit = kind == null ? null : findUnit(kind, channel.displayUnit);
  if (unit === null) return (value) => `${short(value)} ${channel.unit}`;
  return (value, isReading = false) =>
    `${short((value - (isReading ? unit.offset : 0)) / unit.factor)} ${unit.symbol}`;
}

function lineOf(channel: ChannelConfig, entry: CalibrationEntry) {
  const fit = fitEntry(entry);
  if (fit === null) return null;
  const residuals = [...fit.residuals];
  const worst = entry.points
    .map(({ reference }, k) => ({
      at: reference,
      residual: residuals[k],
      allowed: 2 * stated(channel, entry, reference),
    }))
    .reduce((a, b) => (Math.abs(b.residual) / b.allowed > Math.abs(a.residual) / a.allowed ? b : a));
  // The offset in kelvin is far away from every reading: it is told at the zero of the unit.
  const kind = kindOfQuantity[channel.quantity];
  const zero = (kind == null ? null : findUnit(kind, channel.displayUnit))?.offset ?? 0;
  return {
    slope: fit.coefficients[1],
    offset: onCalibration(fit, zero).value - zero,
    residuals,
    worst,
    deviation: fit.deviation,
    lack: lackOf(entry),
    text: textOf(channel),
  };
}

/** Points repeat a reference, not a reading: the test is made the other way round, where the scatter is. */
function lackOf({ points }: CalibrationEntry): LackOfFit | null {
  const reference = points.map((point) => point.reference);
  const reading = points.map((point) => point.reading);
  return lackOfFit(fitCalibration(reference, reading, 1), reference);
}

/** Standard uncertainty that the rig file states for a reading, with the reference's. */
function stated({ uncertainty }: ChannelConfig, entry: CalibrationEntry, value: number): number {
  return Math.hypot(uncertainty.absolute, uncertainty.relative * value, entry.referenceUncertainty ?? 0);
}

/** How wrong the channel was found, with the calibration before it still applied: that is its drift. */
function driftOf(channel: ChannelConfig, i: number): { text: string; isTooLarge: boolean } | null {
  const entries = channel.calibrations ?? [];
  if (i === 0) return null;
  const entry = entries[i];
  const days = (entry.from_ms - entries[i - 1].from_ms) / day_ms;
  const worst = entry.points
    .map(({ reference, reading }) => ({
      at: reference,
      error: reading - reference,
      allowed: 2 * stated(channel, entry, reference),
    }))
    .reduce((a, b) => (Math.abs(b.error) > Math.abs(a.error) ? b : a));
  const text = textOf(channel);
  const perYear = days < leastInterval_d ? '' : `, ${text((worst.error / days) * year_d)} a year`;
  return {
    text: `drift since the one before ${text(worst.error)} at ${text(worst.at, true)} in ${Math.round(days)} days${perYear}`,
    isTooLarge: Math.abs(worst.error) > worst.allowed,
  };
}

/** What a channel's calibration is now, for its status: the version that holds and whether it is overdue. */
export function calibrationStatus(
  channel: ChannelConfig,
  now_ms: number,
): { isOverdue: boolean; text: string } | null {
  const { calibration } = calibratedChannel(channel, now_ms);
  if (calibration === undefined) return null;
  const isOverdue = calibration.due_ms !== null && calibration.due_ms <= now_ms;
  const since = `calibrated ${dayText(calibration.from_ms)}`;
  return { isOverdue, text: isOverdue ? `${since}, due since ${dayText(calibration.due_ms!)}` : since };
}

/** `2026-03-02`, UTC. */
export function dayText(wall_ms: number): string {
  return new Date(wall_ms).toISOString().slice(0, 10);
}

const short = (value: number) => String(Number(value.toPrecision(Math.abs(value) < 0.1 ? 2 : 4)));
const short6 = (value: number) => String(Number(value.toPrecision(6)));
const percent = (ratio: number) => `${short(100 * ratio)} %`;
