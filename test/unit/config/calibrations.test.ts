import { describe, expect, it } from 'vitest';
import { calibrationLines } from '../../../daemon/instruments/calibration-report.ts';
import { calibratedChannel } from '../../../daemon/instruments/channel-calibration.ts';
import { readChanged } from '../../support/rig-text.ts';

const day_ms = 86_400_000;
const tank = 'range: 0 to 16 bar, register: input 2, type: float32';

/** The findings and the tank channel of the small rig with these calibrations. */
function withTank(calibrations: string, more = '') {
  const { config, lines } = readChanged([tank, `${tank}${more}, calibrations: ${calibrations}`]);
  return { lines, channel: config?.channels.find(({ id }) => id === 'PT-301') ?? null };
}

describe('calibrations in a rig file', () => {
  it('are read in SI, with the kind by the number of points', () => {
    const { lines, channel } = withTank(
      '[{ from: 2026-03-02, points: [[0 bar, 0.01 bar], [10 bar, 10.03 bar]], certificate: C-1, referenceUncertainty: 2 mbar, due: 2999-01-01, by: N. N. }, { from: 2026-06-01T08:30+02:00, zero: { reading: 20 mbar } }]',
    );
    expect(lines).toEqual([]);
    const [first, second] = channel!.calibrations!;
    expect(first).toMatchObject({
      from_ms: Date.UTC(2026, 2, 2),
      kind: 'two-point',
      repeatability: null,
      certificate: 'C-1',
      due_ms: Date.UTC(2999, 0, 1),
      by: 'N. N.',
    });
    expect(first.referenceUncertainty).toBeCloseTo(200, 9);
    expect(first.points[1].reading).toBeCloseTo(10.03e5, 6);
    expect(second.from_ms).toBe(Date.UTC(2026, 5, 1, 6, 30));
    expect(second.kind).toBe('zero');
    expect(second.points[0].reference).toBe(0);
  });

  it('shift an absolute instrument to gauge like its range', () => {
    const { config } = readChanged(
      ['unit: bar, range: 0 to 16 bar', 'unit: bar(a), range: 0 to 16 bar(a)'],
      [
        'register: input 2, type: float32',
        'register: input 2, type: float32, calibrations: [{ from: 2026-03-02, zero: { reading: 1.02325 bar(a) } }]',
      ],
    );
    const channel = config!.channels.find(({ id }) => id === 'PT-301')!;
    expect(channel.calibrations![0].points[0].reading).toBeCloseTo(1000, 6);
    expect(channel.calibrations![0].points[0].reference).toBe(0);
    // 1.02325 bar(a) in the register shows gauge zero from then on.
    const after = calibratedChannel(channel, Date.UTC(2026, 2, 3));
    expect(1.02325 * after.scale + after.offset).toBeCloseTo(0, 6);
  });

  it.each([
    [
      'both forms',
      '[{ from: 2026-03-02, zero: { reading: 0 bar }, points: [[0 bar, 0 bar], [1 bar, 1 bar]] }]',
      'exactly one of "points"',
    ],
    ['neither form', '[{ from: 2026-03-02 }]', 'exactly one of "points"'],
    [
      'a day that is none',
      '[{ from: 2026-02-30, zero: { reading: 0 bar } }]',
      'found "2026-02-30"; a day such as "2026-03-02"',
    ],
    [
      'an instant without its zone',
      '[{ from: 2026-02-03T10:00, zero: { reading: 0 bar } }]',
      'an instant with its zone',
    ],
    ['another unit', '[{ from: 2026-03-02, zero: { reading: 4 mA } }]', 'mA measures electric current'],
    [
      'a bare number',
      '[{ from: 2026-03-02, points: [[0 bar, 0], [1 bar, 1 bar]] }]',
      'calibrations[0].points[0][1]: found "0"; the unit is missing',
    ],
    [
      'three numbers in a point',
      '[{ from: 2026-03-02, points: [[0 bar, 0 bar, 0 bar], [1 bar, 1 bar]] }]',
      'found 3 entries; 2 are allowed',
    ],
    [
      'one reference only',
      '[{ from: 2026-03-02, points: [[1 bar, 0 bar], [1 bar, 1 bar]] }]',
      'found one reference only',
    ],
    [
      'one reading only',
      '[{ from: 2026-03-02, points: [[0 bar, 1 bar], [1 bar, 1 bar]] }]',
      'found one reading only',
    ],
    [
      'the wrong order',
      '[{ from: 2026-03-02, zero: { reading: 0 bar } }, { from: 2026-03-01, zero: { reading: 0 bar } }]',
      'entries stand oldest first',
    ],
    [
      'one date twice',
      '[{ from: 2026-03-02, zero: { reading: 0 bar } }, { from: 2026-03-02, zero: { reading: 0 bar } }]',
      'the same instant twice',
    ],
    [
      'a due date before',
      '[{ from: 2026-03-02, due: 2026-03-01, zero: { reading: 0 bar } }]',
      'not after "from"',
    ],
    [
      'a negative spread',
      '[{ from: 2026-03-02, repeatability: -1 mbar, zero: { reading: 0 bar } }]',
      'a standard deviation is not negative',
    ],
    [
      'a falling line',
      '[{ from: 2026-03-02, points: [[0 bar, 10 bar], [10 bar, 0 bar]] }]',
      'readings that fall while the references rise',
    ],
  ])('refuse %s', (_what, text, message) => {
    const { lines, channel } = withTank(text);
    expect(channel).toBeNull();
    expect(lines.filter((line) => line.includes(message))).toHaveLength(1);
  });

  it.each([
    [
      'overdue',
      '[{ from: 2024-03-02, due: 2025-03-02, zero: { reading: 0 bar } }]',
      'PT-301 has been due for calibration since 2025-03-02',
    ],
    [
      'exchanged units',
      '[{ from: 2026-03-02, points: [[0 bar, 0 bar], [10 bar, 14 bar]] }]',
      'the slope is off by -28.57 %',
    ],
    [
      'scattered points',
      '[{ from: 2026-03-02, points: [[0 bar, 0 bar], [5 bar, 5.4 bar], [10 bar, 10 bar]] }]',
      'miss the straight line by up to',
    ],
    [
      'a bent line',
      '[{ from: 2026-03-02, points: [[0 bar, 0 bar], [0 bar, 0.001 bar], [5 bar, 5.05 bar], [5 bar, 5.051 bar], [10 bar, 10 bar], [10 bar, 10.001 bar]] }]',
      'a straight line does not fit: lack of fit F =',
    ],
    [
      'a drift',
      '[{ from: 2025-03-02, zero: { reading: 0 bar } }, { from: 2026-03-02, zero: { reading: 0.2 bar } }]',
      'drift since the one before 0.2 bar at 0 bar in 365 days, 0.2001 bar a year: more than twice',
    ],
  ])('warn of %s', (_what, text, message) => {
    const { lines, channel } = withTank(text);
    expect(channel).not.toBeNull();
    expect(lines.filter((line) => line.includes(': warning: ') && line.includes(message))).toHaveLength(1);
  });

  it('tell what they are worth, a line a version', () => {
    const { channel } = withTank(
      '[{ from: 2026-03-02, points: [[0 bar, 0.01 bar], [10 bar, 10.03 bar]], due: 2027-03-02 }, { from: 2026-09-02, points: [[0 bar, 0 bar], [5 bar, 5.01 bar], [10 bar, 10 bar]] }, { from: 2999-01-01, zero: { reading: 0 bar } }]',
    );
    expect(calibrationLines(channel!, Date.UTC(2026, 9, 1))).toEqual([
      'PT-301: calibration 1, two-point, from 2026-03-02; corrected = 0.998004 x shown - 0.01 bar; scatter unknown: give "repeatability" or a third point; lack of fit not tested (no reference twice); due 2027-03-02',
      'PT-301: calibration 2, multi-point, from 2026-09-02; applies now; corrected = 0.999999 x shown - 0.0033 bar; residuals 0.0033 bar, -0.0067 bar, 0.0033 bar; standard deviation 0.0082 bar; lack of fit not tested (no reference twice); drift since the one before 0.01 bar at 5 bar in 184 days, 0.02 bar a year',
      'PT-301: calibration 3, zero, from 2999-01-01; not yet; zero moved by 0 bar; drift since the one before 0 bar at 0 bar in 355137 days, 0 bar a year',
    ]);
  });
});

describe('a current loop', () => {
  it('makes 4 to 20 mA the range when there is no scaling', () => {
    const { config, lines } = readChanged([
      `${tank} }`,
      `${tank.replace('float32', 'uint16')}, currentLoop: { raw: 0 to 20000, current: 0 to 20 mA } }`,
    ]);
    expect(lines).toEqual([]);
    const { scale, offset, currentLoop } = config!.channels.find(({ id }) => id === 'PT-301')!;
    expect(4000 * scale + offset).toBeCloseTo(0, 6);
    expect(20_000 * scale + offset).toBeCloseTo(16e5, 6);
    expect(currentLoop!.scale_A).toBeCloseTo(1e-6, 15);
    expect(currentLoop!.offset_A).toBe(0);
  });

  it('leaves a given scaling alone', () => {
    const { config } = readChanged([
      `${tank} }`,
      `${tank.replace('float32', 'uint16')}, scaling: { scale: 1 mbar }, currentLoop: { raw: 0 to 65535, current: 4 to 20 mA } }`,
    ]);
    const { scale, currentLoop } = config!.channels.find(({ id }) => id === 'PT-301')!;
    expect(scale).toBeCloseTo(100, 9);
    expect(65_535 * currentLoop!.scale_A + currentLoop!.offset_A).toBeCloseTo(0.02, 12);
  });

  it('refuses one current', () => {
    const { lines } = readChanged([
      `${tank} }`,
      `${tank}, currentLoop: { raw: 0 to 20000, current: 4 mA } }`,
    ]);
    expect(lines.join('\n')).toContain('two different currents such as "0 to 20 mA" are allowed');
  });
});

describe('a day', () => {
  it('begins at midnight UTC', () => {
    const { channel } = withTank('[{ from: 2026-03-02, zero: { reading: 0.1 bar } }]');
    const from_ms = channel!.calibrations![0].from_ms;
    expect(calibratedChannel(channel!, from_ms - 1).calibration).toBeUndefined();
    expect(calibratedChannel(channel!, from_ms).calibration?.version).toBe(1);
    expect(from_ms % day_ms).toBe(0);
  });
});
