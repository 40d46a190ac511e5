import { describe, expect, it } from 'vitest';
import type { CalibrationEntry, ChannelConfig } from '../../../config/rig.ts';
import {
  calibratedChannel,
  calibratedRig,
  calibrationAt,
  calibrationState,
  dividedCalibration,
} from '../../../daemon/instruments/channel-calibration.ts';
import { recorderRig } from '../../support/recorder-rig.ts';

const [plain] = recorderRig().channels;

function entry(
  from_ms: number,
  points: readonly (readonly [number, number])[],
  more: Partial<CalibrationEntry> = {},
): CalibrationEntry {
  return {
    from_ms,
    kind: points.length === 1 ? 'zero' : points.length === 2 ? 'two-point' : 'multi-point',
    points: points.map(([reference, reading]) => ({ reference, reading })),
    repeatability: null,
    referenceUncertainty: null,
    certificate: '',
    due_ms: null,
    by: '',
    note: '',
    written: JSON.stringify(points),
    ...more,
  };
}

function channel(...calibrations: readonly CalibrationEntry[]): ChannelConfig {
  return { ...plain, calibrations };
}

/** Value of a raw number. */
const at = ({ scale, offset }: ChannelConfig, raw: number) => raw * scale + offset;

describe('calibrations folded into a channel', () => {
  it('leave alone what has none', () => {
    expect(calibratedChannel(plain, 0)).toBe(plain);
    const rig = recorderRig();
    expect(calibratedRig(rig, 0)).toBe(rig);
  });

  it('apply from their instant on, never before', () => {
    const two = channel(
      entry(100, [
        [0, 1000],
        [1e6, 1.001e6],
      ]),
      entry(200, [[0, 500]]),
    );
    expect([99, 100, 199, 200].map((ms) => calibrationAt(two, ms))).toEqual([0, 1, 1, 2]);
    expect(at(calibratedChannel(two, 99), 20)).toBe(1000);
    expect(at(calibratedChannel(two, 150), 20)).toBeCloseTo(0, 6);
  });

  it('build on what was shown: a channel found right stays as it is', () => {
    const first = entry(100, [
      [0, 1000],
      [1e6, 1.021e6],
    ]);
    const before = calibratedChannel(channel(first), 300);
    // A year later the display shows the references again.
    const after = calibratedChannel(
      channel(
        first,
        entry(200, [
          [0, 0],
          [1e6, 1e6],
        ]),
      ),
      300,
    );
    for (const raw of [0, 20, 20_000]) expect(at(after, raw)).toBeCloseTo(at(before, raw), 6);
    // A zero moves by what was shown, and keeps the slope.
    const zeroed = calibratedChannel(channel(first, entry(200, [[0, 300]])), 300);
    expect(zeroed.scale).toBe(before.scale);
    expect(at(zeroed, 777) - at(before, 777)).toBeCloseTo(-300, 6);
  });

  it('carry no list afterwards, so that nothing is applied twice', () => {
    const once = calibratedChannel(channel(entry(100, [[0, 1000]])), 300);
    expect(once.calibrations).toBeUndefined();
    expect(calibratedChannel(once, 300)).toBe(once);
  });

  it('keep the stated uncertainty where the scatter or the reference is unknown', () => {
    const stated: ChannelConfig = {
      ...channel(
        entry(
          1,
          [
            [0, 0],
            [1e6, 1e6],
          ],
          { referenceUncertainty: 300 },
        ),
      ),
      uncertainty: { absolute: 400, relative: 0.002 },
    };
    const { uncertainty, calibration } = calibratedChannel(stated, 2);
    expect(calibration?.covariance).toBeNull();
    expect(uncertainty.absolute).toBeCloseTo(500, 9);
    expect(uncertainty.relative).toBe(0.002);
  });

  it('replace it where both are known, and bound the line with its covariance', () => {
    const points = [0, 2e5, 4e5, 6e5, 8e5, 10e5].map(
      (x, i) => [x, x + [200, -100, 150, -200, 100, -150][i]] as const,
    );
    const { uncertainty, calibration } = calibratedChannel(
      channel(entry(1, points, { referenceUncertainty: 100 })),
      2,
    );
    const [v0, v01, v1] = calibration!.covariance!;
    expect(v01).toBeLessThan(0);
    for (const shown of [0, 3e5, 10e5]) {
      const line = Math.sqrt(v0 + 2 * v01 * shown + v1 * shown * shown);
      const exact = Math.hypot(line, calibration!.deviation!, 100);
      expect(Math.hypot(uncertainty.absolute, uncertainty.relative * shown)).toBeGreaterThan(exact);
    }
    // Four degrees of freedom: 2.776 / 1.960 wider than the standard deviations (Student's table, JCGM 100:2008, G.2).
    expect(uncertainty.relative).toBeCloseTo((2.776 / 1.96) * Math.sqrt(v1), 6);
    expect(calibration!.degrees).toBe(4);
  });

  it('take slope and offset together for a temperature in kelvin', () => {
    const points = [283.15, 293.15, 303.15].map((x, i) => [x, x + [0.02, -0.01, 0.02][i]] as const);
    const kelvin: ChannelConfig = {
      ...channel(entry(1, points, { referenceUncertainty: 0.01 })),
      unit: 'K',
      range: [273.15, 313.15],
    };
    const { uncertainty } = calibratedChannel(kelvin, 2);
    expect(uncertainty.relative).toBe(0);
    expect(uncertainty.absolute).toBeLessThan(0.5);
  });

  it('keep the slope and its covariance through a zero check', () => {
    const points = [0, 5e5, 10e5].map((x, i) => [x, x + [100, -100, 50][i]] as const);
    const known = { repeatability: 80, referenceUncertainty: 60 };
    const twice = calibratedChannel(channel(entry(1, points, known), entry(2, [[1e5, 1.002e5]], known)), 3)
      .calibration!;
    const once = calibratedChannel(channel(entry(1, points, known)), 3).calibration!;
    expect(twice.covariance![2]).toBe(once.covariance![2]);
    // At the reading of the check only the check's own scatter is left.
    const [v0, v01, v1] = twice.covariance!;
    expect(v0 + 2 * v01 * 1.002e5 + v1 * 1.002e5 ** 2).toBeCloseTo(6400, 4);
    expect(twice.referenceUncertainty).toBeCloseTo(Math.hypot(60, 60), 9);
  });

  it('say when they are overdue, and when their state changes', () => {
    const rig = { ...recorderRig(), channels: [channel(entry(100, [[0, 0]], { due_ms: 200 }))] };
    expect([50, 150, 250].map((ms) => calibrationState(rig, ms))).toEqual(['0', '1', '1!']);
    expect(calibratedRig(rig, 150).channels[0].calibration?.status).toBe('good');
    expect(calibratedRig(rig, 250).channels[0].calibration?.status).toBe('overdue');
  });

  it('follow a flow that is divided by the bore', () => {
    const points = [0, 1, 2].map((x, i) => [x, x + [0.01, -0.02, 0.01][i]] as const);
    const { calibration } = calibratedChannel(channel(entry(1, points, { referenceUncertainty: 0.004 })), 2);
    const divided = dividedCalibration(calibration!, 2);
    expect(divided.correction).toEqual({
      offset: calibration!.correction.offset / 2,
      scale: calibration!.correction.scale,
    });
    expect(divided.covariance).toEqual([
      calibration!.covariance![0] / 4,
      calibration!.covariance![1] / 2,
      calibration!.covariance![2],
    ]);
    expect(divided.deviation).toBe(calibration!.deviation! / 2);
    expect(divided.referenceUncertainty).toBe(0.002);
  });
});
