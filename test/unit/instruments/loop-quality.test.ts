import { describe, expect, test } from 'vitest';
import { loopWatches } from '../../../daemon/recorder/loop-watch.ts';
import { seriesOf } from '../../../daemon/store/load-record.ts';
import { quality, type RawBlock } from '../../../drivers/driver.ts';
import { recorderRig } from '../../support/recorder-rig.ts';

const interval_s = 0.01;
/** The outlet as a 4-20 mA loop read in microamperes, 0 to 16 bar; the other column is none. */
const config = (() => {
  const rig = recorderRig();
  const [outlet, tank] = rig.channels;
  const loop = { ...outlet, scale: 100, offset: -4e5, currentLoop: { scale_A: 1e-6, offset_A: 0 } };
  return { ...rig, channels: [loop, tank] };
})();
const group = {
  id: 'g',
  channels: ['outlet', 'tank'],
  encoding: 'i32',
  nominalInterval_s: interval_s,
} as const;

function block(currents_uA: readonly number[], time_s = 0, bits = 0): RawBlock {
  const scans = currents_uA.length;
  return {
    group: 0,
    scan: 0,
    scans,
    time_s,
    interval_s,
    halfWidth_s: 0,
    raw: Int32Array.from(currents_uA.flatMap((current) => [current, 7])),
    quality: new Uint8Array(scans).fill(bits),
    lostBefore: 0,
  };
}

function bitsOf(currents_uA: readonly number[], bits = 0): { loop: number[]; other: number[] } {
  const series = seriesOf({ config }, [group], [block(currents_uA, 0, bits)]);
  return { loop: [...series.get('outlet')!.quality], other: [...series.get('tank')!.quality] };
}

const { invalid, suspect, clipped } = quality;

describe('quality of a 4-20 mA channel in a record', () => {
  // NAMUR NE 43 as published summaries give it: 3.6 / 3.8 / 20.5 / 21.0 mA.
  test('follows the bands, and only on its own channel', () => {
    const { loop, other } = bitsOf([
      0, 3600, 3601, 3799, 3800, 4000, 12_000, 20_000, 20_500, 20_900, 21_000, 12_000,
    ]);
    expect(loop).toEqual([invalid, invalid, suspect, suspect, 0, 0, 0, 0, clipped, clipped, clipped, 0]);
    expect(other).toEqual(new Array(12).fill(0));
  });

  test('keeps the bits of the scan', () => {
    expect(bitsOf([12_000, 3000], quality.suspect).loop).toEqual([suspect, suspect | invalid]);
  });

  test('takes a signal that stays up for a failure: 4 s, or the whole record', () => {
    const up = (count: number) => [...new Array(100).fill(12_000), ...new Array(count).fill(21_500), 12_000];
    expect(
      bitsOf(up(400))
        .loop.slice(100, 500)
        .every((bits) => bits === clipped),
    ).toBe(true);
    expect(
      bitsOf(up(402))
        .loop.slice(100, 502)
        .every((bits) => bits === invalid),
    ).toBe(true);
    expect(bitsOf([21_500, 21_500]).loop).toEqual([invalid, invalid]);
  });
});

describe('a loop while it is recorded', () => {
  function watched(...parts: readonly (readonly number[])[]) {
    const [loop] = loopWatches(config.channels)!;
    let time_s = 0;
    const seen: number[] = [];
    for (const part of parts) {
      const one = block(part, time_s);
      const values = Float64Array.from(one.raw, (raw, k) => (k % 2 === 0 ? raw * 100 - 4e5 : raw));
      const { scans, quality } = one;
      loop.take(one, { values, scans, time_s, interval_s, quality }, 2);
      for (let k = 0; k < values.length; k += 2) seen.push(values[k]);
      time_s += part.length * interval_s;
    }
    return { seen, status: loop.status() };
  }

  test('a broken wire keeps the last good value for the detection, across blocks', () => {
    const { seen, status } = watched([12_000, 12_010], [0, 0], [0, 12_020]);
    expect(seen).toEqual([8e5, 801_000, 801_000, 801_000, 801_000, 802_000]);
    expect(status).toEqual({ class: 'good', text: '12.02 mA: measuring' });
  });

  test('a signal that goes up passes: it may be the slam', () => {
    const { seen, status } = watched([12_000, 21_500]);
    expect(seen).toEqual([8e5, 17.5e5]);
    expect(status?.class).toBe('out-of-specification');
  });

  test('becomes a failure after 4 s, not before', () => {
    expect(watched(new Array(399).fill(3000)).status?.class).toBe('out-of-specification');
    const { status } = watched(new Array(200).fill(3000), new Array(200).fill(3000));
    expect(status).toEqual({ class: 'failure', text: '3.00 mA: failure signal or broken wire' });
  });

  test('says nothing before the first sample, and a group without a loop is not watched', () => {
    expect(loopWatches(config.channels)![0].status()).toBeNull();
    expect(loopWatches(recorderRig().channels)).toBeNull();
  });
});
