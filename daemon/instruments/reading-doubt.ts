/**
 * What a calibration is worth at a reading. Slope and offset of one calibration are correlated, mostly strongly and with
 * a negative sign (JCGM 100:2008, H.3): taken as independent they would make a reading amid the points look far less sure
 * than it is. About the middle of the points, offset - slope * middle, the two are independent (H.3.5), which also lets a
 * budget name them apart.
 */
import type { ChannelConfig } from '../../config/rig.ts';
import { fewPointsFactor } from '../statistics/student.ts';
import { together } from '../statistics/uncertainty.ts';

/** The two independent parts of a reading's standard uncertainty, in the channel's unit; `slope` keeps its sign. */
export interface ReadingDoubt {
  /** Offset: reference, scatter of one point, the line at the middle of its points. */
  readonly offset: number;
  /** Slope times the distance from that middle. */
  readonly slope: number;
}

/** Both parts for a channel that shows `value` (calibrated, SI). Without a full calibration: what the rig file states. */
export function readingDoubt(channel: ChannelConfig, value: number): ReadingDoubt {
  const { uncertainty, calibration } = channel;
  const covariance = calibration?.covariance ?? null;
  const deviation = calibration?.deviation ?? null;
  const reference = calibration?.referenceUncertainty ?? null;
  if (calibration === undefined || covariance === null || deviation === null || reference === null) {
    return { offset: uncertainty.absolute, slope: uncertainty.relative * value };
  }
  const few = fewPointsFactor(calibration.degrees);
  const [offset, both, slope] = covariance;
  const shown = (value - calibration.correction.offset) / calibration.correction.scale;
  const middle = slope > 0 ? -both / slope : 0;
  const atMiddle = Math.max(0, offset + both * middle);
  return {
    offset: together(reference, few * deviation, few * Math.sqrt(atMiddle)),
    slope: few * Math.sqrt(slope) * (shown - middle),
  };
}

/** Standard uncertainty that the calibration gives one reading. */
export function readingUncertainty(channel: ChannelConfig, value: number): number {
  const { offset, slope } = readingDoubt(channel, value);
  return together(offset, slope);
}

/**
 * Standard uncertainty of the difference of two readings of one channel, from its slope alone: the offset is the same in
 * both. `difference` in the channel's unit.
 */
export function differenceUncertainty(channel: ChannelConfig, difference: number): number {
  const to = readingDoubt(channel, difference).slope;
  return Math.abs(to - readingDoubt(channel, 0).slope);
}
