import { describe, expect, it } from 'vitest';
import {
  isSaturated,
  type LoopBand,
  loopBand,
  loopShare_ratio,
  loopStatus,
  mostPressing,
  type StatusClass,
  statusClasses,
} from '../../daemon/instruments/current-loop.ts';

// Limits of NAMUR NE 43 as namur.net, electricalandcontrol.com and instrunexus.com print them, in mA.
describe('NAMUR NE 43', () => {
  it.each<[number, LoopBand]>([
    [0, 'failure-low'],
    [3.6, 'failure-low'],
    [3.601, 'uncertain-low'],
    [3.799, 'uncertain-low'],
    [3.8, 'under-range'],
    [3.999, 'under-range'],
    [4, 'measuring'],
    [12, 'measuring'],
    [20, 'measuring'],
    [20.001, 'over-range'],
    [20.5, 'over-range'],
    [20.501, 'uncertain-high'],
    [20.999, 'uncertain-high'],
    [21, 'failure-high'],
    [25, 'failure-high'],
  ])('%d mA: %s', (current_mA, band) => {
    expect(loopBand(current_mA / 1000)).toBe(band);
    expect(loopBand(current_mA * 1e-3)).toBe(band);
  });

  it('measures from -1.25 % to 103.125 %', () => {
    expect(loopShare_ratio(4e-3)).toBe(0);
    expect(loopShare_ratio(20e-3)).toBe(1);
    expect(loopShare_ratio(3.8e-3)).toBeCloseTo(-0.0125, 12);
    expect(loopShare_ratio(20.5e-3)).toBeCloseTo(1.03125, 12);
  });

  it('takes a peak that stands at 20.5 mA for clipped, not for a failed sensor', () => {
    const band = loopBand(20.5e-3);
    expect(isSaturated(20.5e-3)).toBe(true);
    expect(isSaturated(20.49e-3)).toBe(true);
    expect(isSaturated(20.4e-3)).toBe(false);
    expect(isSaturated(3.8e-3)).toBe(true);
    expect(loopStatus(band, 0.02)).toBe('good');
    expect(loopStatus('failure-high', 0.02)).toBe('out-of-specification');
    expect(loopStatus('failure-high', 4)).toBe('failure');
    expect(loopStatus('failure-low', 3.9)).toBe('out-of-specification');
    expect(loopStatus('uncertain-high', 100)).toBe('out-of-specification');
    expect(loopStatus('measuring', 100)).toBe('good');
  });

  it('refuses what is no current', () => {
    expect(() => loopBand(Number.NaN)).toThrow('amperes allowed');
  });
});

// Class letters, meaning of the value and order as two device manuals print NAMUR NE 107.
describe('NAMUR NE 107', () => {
  it('letters and worth of the value', () => {
    expect([...statusClasses.values()].map(({ letter, value }) => `${letter} ${value}`)).toEqual([
      'F invalid',
      'C invalid',
      'S uncertain',
      'M valid',
      ' valid',
    ]);
  });

  it.each<[StatusClass[], StatusClass]>([
    [[], 'good'],
    [['good', 'maintenance-required'], 'maintenance-required'],
    [['maintenance-required', 'out-of-specification'], 'out-of-specification'],
    [['out-of-specification', 'function-check', 'maintenance-required'], 'function-check'],
    [['function-check', 'failure', 'good'], 'failure'],
  ])('%j: %s first', (classes, first) => {
    expect(mostPressing(classes)).toBe(first);
  });
});
