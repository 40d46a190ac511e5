/** Slope and offset of one calibration taken together: the thermometer of JCGM 100:2008, H.3. */
import { describe, expect, it } from 'vitest';
import type { ChannelConfig } from '../../config/rig.ts';
import { fitCalibration } from '../../daemon/instruments/calibration-fit.ts';
import { calibratedChannel } from '../../daemon/instruments/channel-calibration.ts';
import {
  differenceUncertainty,
  readingDoubt,
  readingUncertainty,
} from '../../daemon/instruments/reading-doubt.ts';
import { coverageFactor } from '../../daemon/statistics/student.ts';
import { channelOf } from '../support/independent-records.ts';

// Readings in degC and observed corrections in degC, as the documentation of an open metrology library (GTC) prints them.
const shown = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511];
const correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16];

/** The thermometer with that calibration; its reference taken as exact, as in H.3. */
const thermometer: ChannelConfig = calibratedChannel(
  channelOf('TT-1', 'level', {
    uncertainty: { absolute: 1, relative: 1 },
    calibrations: [
      {
        from_ms: 0,
        kind: 'multi-point',
        points: shown.map((reading, k) => ({ reading, reference: reading + correction[k]! })),
        repeatability: null,
        referenceUncertainty: 0,
        certificate: '',
        due_ms: null,
        by: '',
        note: '',
        written: '',
      },
    ],
  }),
  1,
);
/** Nine degrees of freedom: 2.262 over 1.960. */
const student = coverageFactor(0.95, 9) / coverageFactor(0.95);

describe('a reading of the calibrated thermometer', () => {
  // H.3.4: b(30 degC) = -0.1494 degC with u = 0.0041 degC; unrounded 0.00413859575285 (independent arithmetic).
  it('H.3: the line at 30 degC is known to 0.0041 degC', () => {
    const calibrated = 30 - 0.149376812732;
    expect((calibrated - thermometer.offset) / thermometer.scale).toBeCloseTo(30, 9);
    const { offset, slope } = readingDoubt(thermometer, calibrated);
    // Our reading also scatters like one point of the calibration, s = 0.00349756396351.
    const line = Math.sqrt(offset ** 2 + slope ** 2 - (student * 0.00349756396351) ** 2) / student;
    expect(Math.abs(line - 0.00413859575285)).toBeLessThan(1e-9);
    expect(line.toFixed(4)).toBe('0.0041');
  });

  it('H.3.5: about the mean of the readings offset and slope are independent', () => {
    const mean = shown.reduce((sum, t) => sum + t, 0) / shown.length;
    const atMean = thermometer.offset + thermometer.scale * mean;
    const { offset, slope } = readingDoubt(thermometer, atMean);
    expect(Math.abs(slope)).toBeLessThan(1e-9);
    // s / sqrt(11) for the line and s for the reading.
    expect(offset / student).toBeCloseTo(0.00349756396351 * Math.sqrt(1 + 1 / 11), 9);
  });

  it('without the covariance the same line would seem more than ten times less sure', () => {
    const fit = fitCalibration(
      shown,
      shown.map((t, k) => t + correction[k]!),
      1,
    );
    const [offset, , , slope] = fit.covariance!;
    const independent = Math.sqrt(offset! + slope! * 24 ** 2);
    const { offset: level, slope: tilt } = readingDoubt(thermometer, 24 - 0.16);
    const line = Math.sqrt(level ** 2 + tilt ** 2 - (student * fit.deviation!) ** 2) / student;
    expect(independent / line).toBeGreaterThan(10);
  });

  it('a difference of two readings knows no offset: u(slope) x 5 K', () => {
    // H.3: u(y2) = 0.000667938773228.
    expect(differenceUncertainty(thermometer, 5) / student).toBeCloseTo((5 * 0.000667938773228) / 1.00218, 6);
  });
});

it('a channel that states its uncertainty is taken at its word', () => {
  const channel = channelOf('PT-1', 'pressure', { uncertainty: { absolute: 300, relative: 0.001 } });
  expect(readingDoubt(channel, 4e5)).toEqual({ offset: 300, slope: 400 });
  expect(readingUncertainty(channel, 4e5)).toBe(500);
  expect(differenceUncertainty(channel, -2e5)).toBe(200);
});
