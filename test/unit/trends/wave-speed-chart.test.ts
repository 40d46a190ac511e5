import { describe, expect, test } from 'vitest';
import type { LegVerdict, Verdict } from '../../../daemon/analysis/verdict.ts';
import { gassyWaveSpeed_mps } from '../../../daemon/hydraulics/pipe.ts';
import type { WaveSpeedRow } from '../../../daemon/store/event-index.ts';
import { baselineDays, waveSpeedChart, waveSpeedRows } from '../../../daemon/trends/wave-speed-chart.ts';
import { recorderRig } from '../../support/recorder-rig.ts';

const start_ms = Date.UTC(2026, 2, 1, 8);
const day_ms = 86_400_000;
const liquid = { density_kgpm3: 998.2, bulkModulus_Pa: 2.18e9 };
const pressure_PaAbs = 5e5;

function row(day: number, value_mps: number, more: Partial<WaveSpeedRow> = {}): WaveSpeedRow {
  return {
    leg: 'A',
    wall_ms: start_ms + day * day_ms,
    value_mps,
    low_mps: value_mps - 8,
    high_mps: value_mps + 8,
    expected_mps: 1300,
    expectedHalfWidth_mps: 26,
    pressure_PaAbs,
    ...liquid,
    temperature_K: 293.15,
    ...more,
  };
}

/** Days about 1295 m/s that scatter by a few. */
const quiet = (day: number) => 1295 + [2, -3, 1, 0, -1, 3, -2, 1, -1, 0][day % 10];
const quietDays = (count: number) => Array.from({ length: count }, (_, day) => row(day, quiet(day)));

describe('the chart of wave speeds', () => {
  test('takes the median of a UTC day', () => {
    const { days } = waveSpeedChart('A', [row(0, 1290), row(0, 1250), row(0, 1292), row(0.7, 1310)]);
    expect(days.map(({ day, events, median_mps }) => [day, events, median_mps])).toEqual([
      ['2026-03-01', 3, 1290],
      ['2026-03-02', 1, 1310],
    ]);
  });

  test('learns first, then draws every day', () => {
    const learning = waveSpeedChart('A', quietDays(baselineDays - 1));
    expect(learning.chart).toBeNull();
    expect(learning.days.every(({ ewma_mps, side }) => ewma_mps === null && side === null)).toBe(true);
    const { chart, days, warning } = waveSpeedChart('A', quietDays(30));
    expect(chart!.target_mps).toBeCloseTo(1295, 6);
    expect(chart!.deviation_mps).toBeGreaterThan(1);
    expect(days.every(({ side }) => side === 'inside')).toBe(true);
    expect(warning).toBeNull();
  });

  test('signals a shift that no single day shows', () => {
    const shifted = [...quietDays(20), ...Array.from({ length: 10 }, (_, k) => row(20 + k, quiet(k) - 4))];
    const { days, warning } = waveSpeedChart('A', shifted);
    expect(days.slice(0, 20).every(({ side }) => side === 'inside')).toBe(true);
    expect(days.at(-1)?.side).toBe('below');
    expect(warning).toContain('wave speed 1291 m/s in leg A on 2026-03-30');
    expect(warning).toContain('it has shifted below what its first 10 days had');
  });

  test('names the free gas that explains the fall, and warns above the limit', () => {
    const gas = { void_ratio: 3e-4, pressure_PaAbs, polytropic_ratio: 1, temperature_K: 293.15 };
    const { days, warning } = waveSpeedChart('A', [row(0, gassyWaveSpeed_mps(1300, liquid, gas))]);
    const [{ freeGas_ratio, freeGasLow_ratio, freeGasHigh_ratio }] = days;
    expect(freeGas_ratio).toBeCloseTo(3e-4, 9);
    expect(freeGasLow_ratio).toBeGreaterThan(2e-4);
    expect(freeGasLow_ratio).toBeLessThan(3e-4);
    expect(freeGasHigh_ratio).toBeGreaterThan(3e-4);
    expect(warning).toContain('300 ppm of free gas by volume would explain it (limit 100 ppm)');
  });

  test('does not warn of gas that the doubt of the two speeds explains as well', () => {
    const { days, warning } = waveSpeedChart('A', [row(0, 1115, { expectedHalfWidth_mps: 200 })]);
    expect(days[0].freeGas_ratio).toBeGreaterThan(1e-4);
    expect(days[0].freeGasLow_ratio).toBe(0);
    expect(warning).toBeNull();
  });

  test('says when no mixture is so slow', () => {
    const { warning } = waveSpeedChart('A', [row(0, 15)]);
    expect(warning).toContain('less than any mixture of water and air has');
  });

  test('begins anew when the rig is taken for something else', () => {
    const other = Array.from({ length: 3 }, (_, k) => row(20 + k, 1200, { expected_mps: 1210 }));
    const { chart, days, warning } = waveSpeedChart('A', [...quietDays(20), ...other]);
    expect(chart).toBeNull();
    expect(days.at(-1)?.side).toBeNull();
    expect(warning).toBeNull();
  });
});

describe('rows of a verdict', () => {
  const config = recorderRig();
  const measured = (value: number) => ({ value, low: value - 5, high: value + 5 });
  const verdictOf = (waveSpeed: object, staticAfter: object, active = true) =>
    ({
      legs: [{ leg: 'A', active, results: { waveSpeed, staticAfter } } as unknown as LegVerdict],
    }) as unknown as Verdict;

  test('carry what the rig was taken for', () => {
    const [one] = waveSpeedRows(config, verdictOf(measured(1280), measured(4e5)), start_ms);
    expect(one).toMatchObject({
      leg: 'A',
      value_mps: 1280,
      expected_mps: 1300,
      pressure_PaAbs: 4e5 + 101_325,
    });
  });

  test('take the set point where the pressure at rest was withheld', () => {
    const [one] = waveSpeedRows(config, verdictOf(measured(1280), { value: null }), start_ms);
    expect(one.pressure_PaAbs).toBe(5e5 + 101_325);
    const without = { ...config, trip: { ...config.trip, tank: null } };
    expect(waveSpeedRows(without, verdictOf(measured(1280), { value: null }), start_ms)).toEqual([]);
  });

  test('are none for a leg at rest, a withheld speed, or a leg that is not there', () => {
    expect(waveSpeedRows(config, verdictOf(measured(1280), measured(4e5), false), start_ms)).toEqual([]);
    expect(waveSpeedRows(config, verdictOf({ value: null }, measured(4e5)), start_ms)).toEqual([]);
    expect(
      waveSpeedRows({ ...config, legs: [] }, verdictOf(measured(1280), measured(4e5)), start_ms),
    ).toEqual([]);
  });
});
