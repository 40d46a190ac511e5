/**
 * Whole verdicts on published closures. No measured trace of a check valve's closing was to be had as numbers, so each row is a
 * record made of a published case (wave speed, length, velocity, and the pressure and period that the source states), written as
 * a CSV in the units of the source and judged as `analyse FILE.csv` does. The record is that of a frictionless column
 * (support/synthetic-leg.ts) which slows evenly, runs backwards at the published velocity and is stopped at once; the slowing is
 * ours. `seen`: read in the source named; `memory`: from memory of it; `computed`: from the row's other numbers by hand.
 */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, test } from 'vitest';
import { formatFault } from '../../config/fault.ts';
import { parseRig } from '../../config/load.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegVerdict, Measured } from '../../daemon/analysis/verdict.ts';
import { recordFromCsv } from '../../daemon/commands/csv-record.ts';
import { physics } from '../../daemon/instruments/rig-knowledge.ts';
import { outlet_Pa, plainLeg, syntheticSeating_s, syntheticTrip_s } from '../support/synthetic-leg.ts';

const foot_m = 0.3048;
const psi_Pa = 6894.757;

interface Published {
  readonly name: string;
  readonly source: string;
  readonly waveSpeed_mps: number;
  readonly length_m: number;
  readonly velocity_mps: number;
  readonly density_kgpm3: number;
  readonly static_Pa: number;
  /** Rise of a sudden stop, as the source states it, and to how much of itself it is stated. */
  readonly rise_Pa: number;
  readonly riseRounded_ratio: number;
  /** 4L/a of the source's numbers, in s. */
  readonly period_s: number;
  readonly unit: 'bar' | 'psi' | 'mH2O';
  /** Ours: slowing of the column, rows a second, bore. */
  readonly deceleration_mps2: number;
  readonly rate_Hz: number;
  /** 0.30 m/s lies within its interval of 1.0 ft/s. */
  readonly severity: LegVerdict['severity']['class'];
}

const adelaide = (velocity_mps: number, rise_m: number, severity: Published['severity']): Published => ({
  severity,
  name: `copper pipe of 37 m, ${velocity_mps} m/s`,
  // Wave speed seen in a table of the rig (22.14 mm bore, 1.63 mm wall, 1319 m/s; AQUA, view-large/1085747, Table 2); length 37.23 m,
  // velocities and tank head 32 m: Bergant, Simpson and Vitkovsky, 2001, memory. Rise a V / g and period 4L/a: computed by hand.
  source: 'Adelaide rig: wave speed seen; length, velocity, head memory; rise and period computed',
  waveSpeed_mps: 1319,
  length_m: 37.23,
  velocity_mps,
  density_kgpm3: 999.1,
  static_Pa: 32 * 9806.65,
  rise_Pa: rise_m * 999.1 * 9.80665,
  riseRounded_ratio: 0.002,
  period_s: 0.1129,
  unit: 'mH2O',
  deceleration_mps2: 3,
  rate_Hz: 2000,
});

const cases: readonly Published[] = [
  adelaide(0.1, 13.45, 'none'),
  adelaide(0.2, 26.9, 'mild'),
  adelaide(0.3, 40.35, 'at-limit'),
  {
    name: 'steel main of 3400 ft, 6.48 ft/s',
    // US Army TM 5-813-9, figure 4-5: 2690 ft/s, 3400 ft, 6.48 ft/s, 544.7 ft (236.1 psi), critical interval 2.53 s; seen. It takes
    // g = 32 ft/s2, so its psi are those of 62.4 lb/ft3; the density is that of 544.7 ft being 236.1 psi.
    source: 'TM 5-813-9, figure 4-5: all seen; static raised from 20 ft so that the water does not part',
    waveSpeed_mps: 2690 * foot_m,
    length_m: 3400 * foot_m,
    velocity_mps: 6.48 * foot_m,
    density_kgpm3: 1005.1,
    static_Pa: 20e5,
    rise_Pa: 236.1 * psi_Pa,
    riseRounded_ratio: 0.001,
    period_s: 2 * 2.53,
    unit: 'psi',
    deceleration_mps2: 0.8,
    rate_Hz: 50,
    severity: 'severe',
  },
  {
    name: 'steel pipe of 5000 ft, 14.15 ft/s',
    // Hwang and Houghtalen, Fundamentals of Hydraulic Engineering Systems, chapter 4: 4510 ft/s, 5000 ft, 25 ft3/s in 18 in,
    // 857 psi, 2L/a 2.22 s; memory.
    source: 'Hwang and Houghtalen, chapter 4: memory',
    waveSpeed_mps: 4510 * foot_m,
    length_m: 5000 * foot_m,
    velocity_mps: 14.15 * foot_m,
    density_kgpm3: 1.94 * 515.3788,
    static_Pa: 70e5,
    rise_Pa: 857 * psi_Pa,
    riseRounded_ratio: 0.005,
    period_s: 2 * 2.22,
    unit: 'psi',
    deceleration_mps2: 2,
    rate_Hz: 50,
    severity: 'severe',
  },
  {
    name: 'water loop of 10 m, 0.25 m/s',
    // Computed by characteristics on 400 cells for the project's reference sheet: step 2.9946 bar, peak 3.7932 bar over static at 16.67 ms.
    source: 'worked case: computed',
    waveSpeed_mps: 1200,
    length_m: 10,
    velocity_mps: 0.25,
    density_kgpm3: 998.207,
    static_Pa: 4e5,
    rise_Pa: 2.9946e5,
    riseRounded_ratio: 0.001,
    period_s: 4 * (10 / 1200),
    unit: 'bar',
    deceleration_mps2: 8,
    rate_Hz: 5000,
    severity: 'mild',
  },
];

const folder = mkdtempSync(join(tmpdir(), 'published-'));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

const inUnit: Record<Published['unit'], number> = { bar: 1e5, psi: psi_Pa, mH2O: 9806.65 };

/** The verdict on the record of a case. */
function judged(each: Published): LegVerdict {
  const { rate_Hz, unit } = each;
  const leg = {
    ...plainLeg,
    approach_mps: Math.max(0.8, each.velocity_mps),
    deceleration_mps2: each.deceleration_mps2,
    reverse_mps: each.velocity_mps,
    length_m: each.length_m,
    waveSpeed_mps: each.waveSpeed_mps,
    density_kgpm3: each.density_kgpm3,
    tank_Pa: each.static_Pa,
    rate_Hz,
  };
  const seat_s = syntheticSeating_s(leg);
  const count = Math.round((seat_s + Math.max(1.5, 6 * each.period_s)) * rate_Hz);
  const time_s = Float64Array.from({ length: count }, (_, k) => (k + 0.37) / rate_Hz);
  const outlet = outlet_Pa(leg, time_s);
  const rows = Array.from(time_s, (t, k) => {
    const velocity = leg.approach_mps - leg.deceleration_mps2 * Math.max(0, t - syntheticTrip_s);
    const cells = [t, outlet[k]! / inUnit[unit], t < seat_s ? velocity : 0, t < syntheticTrip_s ? 1 : 0];
    return cells.map((cell) => cell.toFixed(6)).join(',');
  });
  const path = join(folder, 'record.csv');
  writeFileSync(path, `time,outlet,meter,run\n${rows.join('\n')}\n`);
  const text = `rig: { name: Published }
liquid: { density: ${each.density_kgpm3} kg/m3 +- 0.1 % }
legs:
  - id: A
    bore: 154.1 mm
    wall: 7.1 mm
    material: carbon steel
    length: ${each.length_m} m +- 0.5 %
    inletLength: 3 m
    inertiaRatio: 1.00 +- 0.005
    waveSpeed: ${each.waveSpeed_mps} m/s +- 1 %
    valve: { id: V, type: swing, size: DN150 }
    taps: { outlet: { channel: PT-1, distance: 0 mm } }
    meter: { channel: FT-1 }
lines:
  - id: file
    driver: recording
    path: record.csv
    channels:
      - { id: PT-1, column: outlet, quantity: pressure, unit: ${unit}, range: -100 to 10000 ${unit}, uncertainty: 0.1 ${unit}, responseTime: 0 ms }
      - { id: FT-1, column: meter, quantity: velocity, unit: m/s, range: -20 to 20 m/s, uncertainty: 0.01 m/s, responseTime: 0 ms }
      - { id: XS-1, column: run, quantity: state }
trip: { contact: { channel: XS-1, delay: 0 s } }
`;
  const { config, findings } = parseRig(text, 'published', physics);
  if (config === null) throw new Error(findings.map(formatFault).join('\n'));
  const record = recordFromCsv(path, config, (line) => {
    throw new Error(line);
  });
  return analyse(record, { revision: 1, software: 'test', reason: 'published case' }).legs[0]!;
}

function measured(verdict: LegVerdict, name: keyof LegVerdict['results']): Measured {
  const result = verdict.results[name];
  if (result.value === null) throw new Error(`${name}: ${result.reason}`);
  return result;
}

describe.each(cases.map((each) => [each.name, each.source, each] as const))(
  '%s (%s)',
  (_name, _source, each) => {
    const verdict = judged(each);

    test('the step at seating is the published rise of a sudden stop', () => {
      const { value, low, high } = measured(verdict, 'seatingStep');
      expect(Math.abs(value / each.rise_Pa - 1)).toBeLessThan(0.007 + each.riseRounded_ratio);
      expect(low).toBeLessThan(each.rise_Pa);
      expect(high).toBeGreaterThan(each.rise_Pa);
    });

    test('the velocity at seating is the published one, and both intervals hold it', () => {
      const { value } = measured(verdict, 'velocityAtSeating');
      expect(Math.abs(value / each.velocity_mps - 1)).toBeLessThan(0.007);
      for (const name of ['velocityAtSeating', 'equivalentReverseVelocity'] as const) {
        expect(measured(verdict, name).low).toBeLessThan(each.velocity_mps);
        expect(measured(verdict, name).high).toBeGreaterThan(each.velocity_mps);
      }
    });

    test('the ring has the published period, and with the length the published wave speed', () => {
      const ring = measured(verdict, 'ringFrequency');
      // A few slow rings of a long main are fitted less well.
      expect(Math.abs(ring.value * each.period_s - 1)).toBeLessThan(each.length_m > 100 ? 0.015 : 0.003);
      expect(ring.low).toBeLessThan(1 / each.period_s);
      expect(ring.high).toBeGreaterThan(1 / each.period_s);
      expect(measured(verdict, 'waveSpeed').low).toBeLessThan(each.waveSpeed_mps);
      expect(measured(verdict, 'waveSpeed').high).toBeGreaterThan(each.waveSpeed_mps);
    });

    test('the class is that of the published velocity by the trade rule of 0.5 and 1.0 ft/s (from memory)', () => {
      expect(verdict.severity.class).toBe(each.severity);
    });
  },
);
