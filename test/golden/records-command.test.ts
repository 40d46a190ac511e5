/** The records of an independent model as a person would have them judged: `tripwave analyse FILE.csv --config RIG`. */
import { spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest';
import type { Verdict } from '../../daemon/analysis/verdict.ts';
import { analyseCommand } from '../../daemon/commands/analyse.ts';
import { type IndependentRecord, independentRecords } from '../support/independent-records.ts';
import { count, emptyTally } from '../support/independent-tally.ts';

const checkout = join(import.meta.dirname, '../..');
const records = 'test/golden/records';
let folder = '';

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'records-command-'));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

/** Rig file of one record, with the doubt that such constants have on a real rig. */
function rigFileOf(entry: IndependentRecord): string {
  const path = join(folder, `${entry.file}.yaml`);
  const tap = `${entry.tap_to_seat_m} m`;
  const lag = `responseTime: ${entry.pressure_lag_s} s +- 0.2 ms`;
  writeFileSync(
    path,
    `rig: { name: ${entry.file} }
liquid: { temperature: 20 degC, density: ${entry.liquid_density_kg_per_m3} kg/m3 +- 1 kg/m3 }
legs:
  - id: a
    bore: ${entry.bore_m} m
    wall: 6 mm
    material: carbon steel
    length: ${entry.leg_length_m} m +- 2 %
    inletLength: 2.5 m
    inertiaRatio: 1.05 +- 0.03
    waveSpeed: ${entry.wave_speed_m_per_s} m/s +- 2 %
    rating: 16 bar
    valve: { id: v, type: other, size: DN100 }
    taps: { outlet: { channel: outlet, distance: ${tap} }, inlet: { channel: inlet, distance: ${tap} } }
    meter: { channel: meter }
lines:
  - id: csv
    driver: recording
    path: ${join(checkout, records, entry.file)}
    channels:
      - { id: outlet, column: p_outlet_bar, quantity: pressure, unit: bar, range: -1 to 25 bar, ${lag} }
      - { id: inlet, column: p_inlet_bar, quantity: pressure, unit: bar, range: -1 to 25 bar, ${lag} }
      - { id: meter, column: v_meter_m_per_s, quantity: velocity, unit: m/s, range: -10 to 10 m/s, responseTime: ${entry.meter_lag_s} s +- 10 %, uncertainty: 0.005 m/s }
      - { id: tank, column: p_tank_bar, quantity: pressure, unit: bar, range: 0 to 16 bar }
      - { id: run, column: pump_run, quantity: state }
trip: { contact: { channel: run, delay: 5 to 25 ms }, tank: { channel: tank } }
`,
  );
  return path;
}

/** What the command prints, called in this process. */
async function commandOutput(...args: string[]): Promise<string> {
  let said = '';
  const out = vi.spyOn(process.stdout, 'write').mockImplementation((text) => {
    said += String(text);
    return true;
  });
  try {
    await analyseCommand().parseAsync(args, { from: 'user' });
  } finally {
    out.mockRestore();
  }
  return said;
}

const judged = async (entry: IndependentRecord) =>
  JSON.parse(
    await commandOutput(join(checkout, records, entry.file), '--config', rigFileOf(entry), '--json'),
  ) as Verdict;

describe('analyse FILE.csv on the records of an independent model', () => {
  test('92 % of the figures lie inside their intervals over all rates, none beyond twice at any', async () => {
    const all = emptyTally();
    for (const rate_Hz of [100, 1000, 4000]) {
      const sum = emptyTally();
      for (const entry of independentRecords()) {
        if (entry.sample_rate_Hz !== rate_Hz) continue;
        const verdict = await judged(entry);
        count(sum, entry, verdict);
        count(all, entry, verdict);
      }
      console.log(`${rate_Hz} Hz: ${sum.inside} of ${sum.given} figures inside their intervals`, sum.outside);
      expect(sum.given).toBeGreaterThanOrEqual(20);
      expect(sum.farOutside).toEqual([]);
    }
    expect(all.inside / all.given).toBeGreaterThanOrEqual(0.92);
    // The step at the seating cannot be seen on a slow record; nothing else may be missing.
    expect(all.withheld.filter((line) => !/100Hz.csv velocityAtSeating: .*8 are needed/.test(line))).toEqual(
      [],
    );
  });

  test('the real process prints the same verdict', async () => {
    const entry = independentRecords().find(({ file }) => file === 'spring-100-1000Hz.csv')!;
    const { status, stdout, stderr } = spawnSync(
      process.execPath,
      ['daemon/guard.mjs', 'analyse', join(records, entry.file), '--config', rigFileOf(entry), '--json'],
      { cwd: checkout, encoding: 'utf8' },
    );
    expect(status, stderr).toBe(0);
    expect(JSON.parse(stdout)).toEqual(await judged(entry));
  });
});
