import { describe, expect, it } from 'vitest';
import type { ChannelConfig } from '../../config/rig.ts';
import { calibratedChannel } from '../../daemon/instruments/channel-calibration.ts';
import { loopStatus, statusClasses } from '../../daemon/instruments/current-loop.ts';
import { recorderRig } from '../support/recorder-rig.ts';

// JCGM 100:2008, H.3: a thermometer, its readings and corrections. The channel shows degrees as if they were a pressure,
// so that slope and offset stay apart.
describe('GUM H.3 as a calibration of a channel', () => {
  const t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511];
  const b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16];
  const channel: ChannelConfig = {
    ...recorderRig().channels[0],
    scale: 0.001,
    offset: 0,
    calibrations: [
      {
        from_ms: 0,
        kind: 'multi-point',
        points: t.map((reading, k) => ({ reference: reading + b[k], reading })),
        repeatability: null,
        referenceUncertainty: 0,
        certificate: '',
        due_ms: null,
        by: '',
        note: '',
        written: '',
      },
    ],
  };
  const after = calibratedChannel(channel, 1);
  const { correction, covariance, deviation, degrees } = after.calibration!;

  it('prints a correction of -0.1494 at 30 degrees', () => {
    expect((30_000 * after.scale + after.offset - 30).toFixed(4)).toBe('-0.1494');
    expect((correction.offset + correction.scale * 20 - 20).toFixed(4)).toBe('-0.1712');
    expect((correction.scale - 1).toFixed(5)).toBe('0.00218');
  });

  it('prints its standard uncertainty 0.0041 only with the covariance of slope and offset', () => {
    const [v0, v01, v1] = covariance!;
    expect(Math.sqrt(v0 + 2 * v01 * 30 + v1 * 900).toFixed(4)).toBe('0.0041');
    expect(Math.sqrt(v0 + 2 * v01 * 20 + v1 * 400).toFixed(4)).toBe('0.0029');
    // Without it the same number would come out six times as large.
    expect(Math.sqrt(v0 + v1 * 900)).toBeGreaterThan(0.02);
  });

  it('prints s = 0.0035 from 9 degrees of freedom', () => {
    expect(deviation!.toFixed(4)).toBe('0.0035');
    expect(degrees).toBe(9);
  });
});

// NAMUR NE 107 as published device manuals give it: F before C before S before M; F and C make the value invalid.
describe('status classes', () => {
  it('are ordered by how much they press', () => {
    expect([...statusClasses].map(([, { letter }]) => letter)).toEqual(['F', 'C', 'S', 'M', '']);
    expect([...statusClasses].map(([, { value }]) => value)).toEqual([
      'invalid',
      'invalid',
      'uncertain',
      'valid',
      'valid',
    ]);
  });

  it('a slam at the end of the signal is no failure', () => {
    expect(loopStatus('failure-high', 0.2)).toBe('out-of-specification');
    expect(loopStatus('over-range', 10)).toBe('good');
  });
});
