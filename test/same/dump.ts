/**
 * Writes the verdicts of a fixed set of records as JSON lines `{name, verdict}`: `node test/same/dump.ts OUT [FOLDER...]`. Runs in
 * any revision that holds the modules below; `run.ts` runs it in two and compares. The set: the golden records, every CSV with
 * a rig file in the given folders, the demo pair, and 300 seeded random rigs, each judged whole and with one thing changed.
 */
import { existsSync, openSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord, LegRecord, Series } from '../../daemon/analysis/record.ts';
import { readConfig } from '../../daemon/commands/check.ts';
import { recordFromCsv } from '../../daemon/commands/csv-record.ts';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import { drawTrip } from '../support/accuracy.ts';
import {
  channelOf,
  type IndependentRecord,
  independentRecords,
  type Missing,
  readIndependent,
  seriesOf,
} from '../support/independent-records.ts';
import { seeded } from '../support/random-rig.ts';
import { perfectSensors, simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';

/** So many random rigs. */
const rigs = 300;
const rates_Hz = [100, 500, 1000, 2000, 5000];

const [file = '', ...folders] = process.argv.slice(2);
const out = openSync(file, 'w');

function say(name: string, record: EventRecord): void {
  const verdict = analyse(record, { revision: 1, software: 'same', reason: 'same' });
  writeFileSync(out, `${JSON.stringify({ name, verdict })}\n`);
}

const withLeg = (record: EventRecord, change: (leg: LegRecord) => LegRecord): EventRecord => ({
  ...record,
  legs: record.legs.map(change),
});

/** Every channel with a calibration doubt, and a density and atmosphere that are known less well. */
function doubtful(record: EventRecord): EventRecord {
  const doubt = (series: Series): Series => ({
    ...series,
    channel: { ...series.channel, uncertainty: { absolute: 1500, relative: 0.003 } },
  });
  return withLeg(record, (leg) => ({
    ...leg,
    outlet: doubt(leg.outlet),
    inlet: leg.inlet === null ? null : doubt(leg.inlet),
  }));
}

/** No sample for 40 ms, from `after_s` after the middle of the record on. */
function withGap(record: EventRecord, after_s: number): EventRecord {
  const cut = (series: Series): Series => {
    const from_s = series.time_s[series.time_s.length >> 1] + after_s;
    const keep = [...series.time_s.keys()].filter((k) => Math.abs(series.time_s[k] - from_s) > 0.02);
    return {
      ...series,
      time_s: Float64Array.from(keep, (k) => series.time_s[k]),
      value: Float64Array.from(keep, (k) => series.value[k]),
      quality: Uint8Array.from(keep, (k) => series.quality[k]),
      lost: series.time_s.length - keep.length,
    };
  };
  return withLeg(record, (leg) => ({ ...leg, outlet: cut(leg.outlet) }));
}

const missing: readonly Missing[] = [
  { inlet: true },
  { tank: true },
  { meter: true },
  { contact: true },
  { inlet: true, tank: true, meter: true, contact: true },
];

function sayRandom(seed: number): void {
  const isWide = Math.floor(seed / 10) % 5 < 2;
  const rate_Hz = rates_Hz[seed % rates_Hz.length];
  const { spec, sensors, knowledge, random } = drawTrip(700_000 + seed, isWide);
  const trip = simulateTrip(spec, { rate_Hz, sensors, random });
  const name = `rig ${seed} at ${rate_Hz} Hz`;
  const whole = recordOf(trip, spec, sensors, knowledge);
  say(name, whole);
  const way = seed % 12;
  const left = missing[way];
  if (left !== undefined)
    say(`${name} without ${Object.keys(left)}`, recordOf(trip, spec, sensors, knowledge, left));
  if (way === 5) say(`${name}, doubtful`, doubtful(whole));
  if (way === 6 || way === 7) say(`${name}, gap`, withGap(whole, way === 6 ? -0.4 : -0.9));
  if (way === 8)
    say(`${name}, clipped`, {
      ...withLeg(whole, (leg) => ({
        ...leg,
        outlet: { ...leg.outlet, channel: { ...leg.outlet.channel, range: [-1e5, 5e5] } },
      })),
    });
  if (way === 9)
    say(
      `${name}, swapped`,
      withLeg(whole, (leg) => (leg.inlet === null ? leg : { ...leg, outlet: leg.inlet, inlet: leg.outlet })),
    );
  if (way >= 10) {
    const mid = seriesOf(
      channelOf('mid', 'pressure', { responseTime_s: sensors.pressureLag_s, responseTimeHalfWidth_s: 4e-5 }),
      trip.time_s,
      trip.legs[0].mid_Pa,
    );
    const position = seriesOf(channelOf('disc', 'position'), trip.time_s, trip.legs[0].opening_ratio);
    const { mid_m } = spec.legs[0].taps;
    const { airVolume_m3, pressure_Pa, polytropic_ratio } = spec.tank;
    const tankAir = {
      volume_m3: airVolume_m3,
      halfWidth_m3: 0.05 * airVolume_m3,
      at_Pa: pressure_Pa,
      polytropic_ratio,
      polytropicHalfWidth_ratio: 0.1,
    };
    const more = withLeg(whole, (leg) => ({
      ...leg,
      mid,
      position,
      leg: { ...leg.leg, mid: { channel: 'mid', distance_m: mid_m } },
    }));
    say(`${name}, with mid tap, disc position and air volume`, { ...more, tankAir });
  }
}

function sayDemoPair(): void {
  const { plant } = loadRigFile('config/demo.rig.yaml');
  const sensors = { ...perfectSensors, pressureLag_s: 0.0005, meterLag_s: 0.15, contactDelay_s: 0.014 };
  const noisy = { ...sensors, pressureNoise_Pa: 1200, meterNoise_mps: 0.006, hum_Pa: 400, bits: 14 };
  const knowledge = { length: 0.001, waveSpeed: 0.005, meterLag: 0.05, pressureLag_s: 0.0005 };
  for (const rate_Hz of [5000, 200]) {
    const trip = simulateTrip(plant, { rate_Hz, sensors: noisy, random: seeded(rate_Hz), before_s: 2 });
    say(`demo pair at ${rate_Hz} Hz`, recordOf(trip, plant, noisy, knowledge));
  }
}

/** A CSV beside a rig file of its name, and the records that an index describes. */
function sayFolder(folder: string): void {
  for (const file of readdirSync(folder).sort()) {
    const rig = join(folder, file.replace(/\.csv$/, '.yaml'));
    if (!file.endsWith('.csv') || !existsSync(rig)) continue;
    const quiet = () => undefined;
    say(`${folder}/${file}`, recordFromCsv(join(folder, file), readConfig(rig, quiet), quiet));
  }
  const index = join(folder, 'index.json');
  if (!existsSync(index)) return;
  for (const entry of JSON.parse(readFileSync(index, 'utf8')) as (IndependentRecord & {
    rigFile?: string;
  })[]) {
    if (entry.rigFile !== undefined) continue;
    const file = pathToFileURL(resolve(folder, entry.file)).href;
    say(`${folder}/${entry.file}`, { ...readIndependent({ ...entry, file }), id: entry.file });
  }
}

for (const entry of independentRecords()) {
  say(`golden ${entry.file}`, readIndependent(entry));
  for (const left of missing)
    say(`golden ${entry.file} without ${Object.keys(left)}`, readIndependent(entry, left));
}
for (const folder of folders) sayFolder(folder);
sayDemoPair();
for (let seed = 0; seed < rigs; seed++) sayRandom(seed);
