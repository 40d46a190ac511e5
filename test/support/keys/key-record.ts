/** One made-up closure as a CSV, a rig file that describes it, and the verdict after a change of that file. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll } from 'vitest';
import { formatFault } from '../../../config/fault.ts';
import { parseRig } from '../../../config/load.ts';
import type { RigConfig } from '../../../config/rig.ts';
import { analyse } from '../../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../../daemon/analysis/record.ts';
import type { LegResults, LegVerdict, Verdict } from '../../../daemon/analysis/verdict.ts';
import { recordFromCsv } from '../../../daemon/commands/csv-record.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { rigView } from '../../../daemon/web/views.ts';
import type { RigView } from '../../../daemon/web/wire.ts';
import type { Change } from '../rig-text.ts';
import { outlet_Pa, plainLeg, syntheticSeating_s, syntheticTrip_s } from '../synthetic-leg.ts';

/** Rows a second. */
const rate_Hz = 2000;
const span_s = { from: 0.5, to: 2.7 } as const;
/** The wave of the stopping pump needs so long to the valve, in s: the contact opens before the pressure falls. */
const way_s = 0.015;
/** Where the middle tap of the record is, in m from the valve. */
const mid_m = 4;
const bar = 1e5;
/** How fast the tank rises while water runs into it, in Pa/s. */
const filling_Paps = 0.12 * bar;

/** The rig file of the record: everything that can be said of it, so that every key has a place to change. */
export const recordText = `rig: { name: Key rig, place: Nowhere }
liquid: { temperature: 20 degC }
atmosphere: 1013.25 mbar
legs:
  - id: A
    name: Leg of keys
    bore: 154.1 mm
    wall: 7.1 mm
    material: carbon steel
    restraint: anchored
    length: 10 m +- 1 %
    inletLength: 12 m
    inertiaRatio: 1.00 +- 0.01
    waveSpeed: 1200 m/s +- 2 %
    rating: 16 bar
    valve: { id: V-A, type: swing, size: DN150, serial: S1, settings: weight out, rating: 20 bar }
    taps:
      outlet: { channel: PT-1, distance: 0 mm }
      mid: { channel: PT-3, distance: 4 m }
      inlet: { channel: PT-2, distance: 0 mm }
    meter: { channel: FT-1 }
    position: ZT-1
lines:
  - id: file
    driver: recording
    path: unused.csv
    channels:
      - { id: PT-1, column: outlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar }
      - { id: PT-2, column: inlet, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar }
      - { id: PT-3, column: mid, quantity: pressure, unit: bar, range: -1 to 25 bar, uncertainty: 0.01 bar }
      - { id: PT-4, column: tank, quantity: pressure, unit: bar, range: 0 to 16 bar, uncertainty: 0.01 bar }
      - { id: FT-1, column: meter, quantity: velocity, unit: m/s, range: -6 to 6 m/s, uncertainty: 0.01 m/s }
      - { id: ZT-1, column: opening, quantity: position, unit: '%', range: 0 to 100 % }
      - { id: XS-1, column: run, quantity: state }
      - { id: XS-2, column: switch, quantity: state }
trip:
  contact: { channel: XS-1, runningLevel: 1, delay: 0 to 2 ms }
  tank: { channel: PT-4, setPoint: 3.9 bar }
`;

/** Each change replaces a text that stands exactly once. */
export function changedRecord(...changes: readonly Change[]): string {
  return changes.reduce((text, [from, to]) => {
    const times = text.split(from).length - 1;
    if (times !== 1) throw new Error(`${JSON.stringify(from)} stands ${times} times`);
    return text.replace(from, to);
  }, recordText);
}

/** The changed file as read, with what `check` says of it, a line each. */
export function read(...changes: readonly Change[]) {
  const { config, findings } = parseRig(changedRecord(...changes), 'rig', physics);
  return { config, lines: findings.map(formatFault) };
}

/** What a rig file makes of the record. */
export interface Judged {
  readonly config: RigConfig;
  readonly record: EventRecord;
  readonly verdict: Verdict;
  readonly leg: LegVerdict;
  /** As a browser gets it. */
  readonly view: RigView;
  readonly warnings: readonly string[];
}

/** Verdicts by rig file: many rows compare with the unchanged one. */
const known = new Map<string, Judged>();

/** The verdict of the record with the rig file changed; throws what `check` would print where the file has a fault. */
export function judged(...changes: readonly Change[]): Judged {
  const text = changedRecord(...changes);
  const found = known.get(text) ?? judge(changes);
  known.set(text, found);
  return found;
}

function judge(changes: readonly Change[]): Judged {
  const { config, lines } = read(...changes);
  if (config === null) throw new Error(lines.join('\n'));
  const warnings: string[] = [];
  const record = recordFromCsv(csvPath(), config, (line) => warnings.push(line));
  const verdict = analyse(record, { revision: 1, software: 'test', reason: 'key' });
  const view = rigView(config, 'test', { time_s: 0, wall_ms: 0 });
  return { config, record, verdict, leg: verdict.legs[0]!, view, warnings };
}

/** A result that must be there. */
export function value({ leg }: Judged, name: keyof LegResults): number {
  const result = leg.results[name];
  if (result.value === null) throw new Error(`${name}: ${result.reason}`);
  return result.value;
}

/** Half of its 95 % interval. */
export function halfWidth({ leg }: Judged, name: keyof LegResults): number {
  const result = leg.results[name];
  if (result.value === null) throw new Error(`${name}: ${result.reason}`);
  return (result.high - result.low) / 2;
}

/** Why a result is withheld; null where there is a number. */
export function reason({ leg }: Judged, name: keyof LegResults): string | null {
  const result = leg.results[name];
  return result.value === null ? result.reason : null;
}

export const flags = ({ leg }: Judged): string[] => leg.flags.map(({ code }) => code);

let written: { readonly folder: string; readonly csv: string } | null = null;

afterAll(() => {
  if (written !== null) rmSync(written.folder, { recursive: true, force: true });
  written = null;
});

/** Written once for each test file. */
function csvPath(): string {
  if (written === null) {
    const folder = mkdtempSync(join(tmpdir(), 'keys-'));
    written = { folder, csv: join(folder, 'record.csv') };
    writeFileSync(written.csv, csvText());
  }
  return written.csv;
}

/**
 * A column of water without friction (synthetic-leg.ts) at 2000 rows a second. The wave reaches the middle tap later; the tank rises
 * while it is filled; contact and switch change a wave's
 * way before it, the switch 30 ms earlier; the disc begins to move 100 ms after the trip.
 */
function csvText(): string {
  const leg = { ...plainLeg, rate_Hz };
  const rows_n = Math.round((span_s.to - span_s.from) * rate_Hz);
  const time_s = Float64Array.from({ length: rows_n }, (_, k) => span_s.from + k / rate_Hz);
  const seat_s = syntheticSeating_s(leg);
  const outlet = outlet_Pa(leg, time_s);
  const mid = outlet_Pa(
    leg,
    time_s.map((t) => t - mid_m / leg.waveSpeed_mps),
  );
  /** Integral of the velocity from the trip on, over the velocity before it. */
  const filled_s = (t: number) => {
    const since = t - syntheticTrip_s;
    return since < 0 ? since : since - (leg.deceleration_mps2 * since ** 2) / 2 / leg.approach_mps;
  };
  const before = -leg.density_kgpm3 * leg.length_m * leg.deceleration_mps2;
  const rows = Array.from(time_s, (t, k) => {
    const velocity = leg.approach_mps - leg.deceleration_mps2 * Math.max(0, t - syntheticTrip_s);
    const sag = outlet[k]! - leg.tank_Pa;
    const cells = [
      t,
      outlet[k]! / bar,
      Math.max(-0.3, (leg.tank_Pa + 0.2 * bar + (t < seat_s ? sag : 2 * before - sag)) / bar),
      (leg.tank_Pa + (1 - mid_m / leg.length_m) * (mid[k]! - leg.tank_Pa)) / bar,
      (leg.tank_Pa + filling_Paps * filled_s(Math.min(t, seat_s))) / bar,
      t < seat_s ? velocity : 0,
      100 * Math.max(0, Math.min(1, (seat_s - t) / (seat_s - syntheticTrip_s - 0.1))),
      t < syntheticTrip_s - way_s ? 1 : 0,
      t < syntheticTrip_s - way_s - 0.03 ? 0 : 1,
    ];
    return cells.map((cell) => Number(cell.toFixed(7))).join(',');
  });
  return `time,outlet,inlet,mid,tank,meter,opening,run,switch\n${rows.join('\n')}\n`;
}
