/**
 * False alarms and missed trips: simulated hours of a rig through the recorder's own data path in accelerated time, every
 * event that it opens judged by the analysis. Half an hour a watch: rest, one scene, then rest or steady running.
 */
import type { ChannelConfig, RigConfig } from '../../config/rig.ts';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegVerdict } from '../../daemon/analysis/verdict.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';
import { drawTrip } from '../support/accuracy.ts';
import { normal, type Random, seeded } from '../support/random-rig.ts';
import { RecorderLine } from '../support/recorder-line.ts';
import { recorderRig } from '../support/recorder-rig.ts';
import type { SimulatedTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';
import {
  dropped,
  type Faults,
  faultsOf,
  playScene,
  type SceneName,
  scenes,
  type Watch,
} from './alarm-scene.ts';
import { table } from './tables.ts';

/** Length of a watch, in s. */
export const watch_s = 1800;
/** Rest before the scene, in s. */
const rest_s = 60;
/** Rates, more of the slow ones: the hours count, not the samples. */
const rates_Hz = [100, 500, 1000];

const columns = ['outlet', 'inlet', 'tank', 'meter', 'run'] as const;
/** Converter steps in SI, a column each. */
const steps = [50, 50, 50, 0.0005, 1] as const;

/** What came of one watch. */
export interface AlarmRow {
  readonly scene: SceneName;
  readonly rate_Hz: number;
  readonly seed: number;
  readonly hours: number;
  /** Of these, the scene: the plant moves. */
  readonly movingHours: number;
  /** Events opened, by what opened them. */
  readonly events: readonly string[];
  /** Seatings reported where none was: the seed and what was said. */
  /** Events that are not the trip's own, in words. */
  readonly unwanted: readonly string[];
  readonly falseSeatings: readonly string[];
  readonly hasTrip: boolean;
  /** The trip was opened by its contact within 0.1 s. */
  readonly isTripFound: boolean;
  readonly hasSeating: boolean;
  readonly isSeatingFound: boolean;
  /** Reported within 3 ms + 1.5 samples of the truth or inside its interval. */
  readonly isInstantRight: boolean;
  readonly isNoSlam: boolean;
}

export function alarmScenarios(hours: number, shift: number): { seed: number; rate_Hz: number }[] {
  const watches = Math.ceil((hours * 3600) / watch_s);
  return Array.from({ length: watches }, (_, k) => ({
    seed: 900_000 + shift + k,
    // Each scene gets every rate in turn.
    rate_Hz: rates_Hz[Math.floor(k / scenes.length) % rates_Hz.length],
  }));
}

/** Watches half an hour, or `duration_s`. */
export function alarmRow(seed: number, rate_Hz: number, duration_s = watch_s): AlarmRow {
  const scene = scenes[seed % scenes.length];
  // Away from the seed's last digit, which picks the scene, so that every scene meets every kind of valve.
  const { spec, sensors, knowledge, random } = drawTrip(seed * 13 + Math.floor(seed / 10));
  const watch = playScene(scene, spec, sensors, rate_Hz, random);
  const faults = faultsOf(scene, sensors, random);
  const empty: SimulatedTrip = {
    time_s: new Float64Array(0),
    legs: [
      {
        outlet_Pa: new Float64Array(0),
        inlet_Pa: new Float64Array(0),
        mid_Pa: new Float64Array(0),
        meter_mps: new Float64Array(0),
        opening_ratio: new Float64Array(0),
        beforeSeating_Pa: Number.NaN,
        truth: watch.truth as NonNullable<Watch['truth']>,
      },
    ],
    tank_Pa: new Float64Array(0),
    contact: new Uint8Array(0),
    trip_s: 0,
  };
  const { leg } = recordOf(empty, spec, sensors, knowledge).legs[0];
  const config = rigOf(leg);
  const group: GroupSpec = {
    id: 'stream',
    channels: columns,
    encoding: 'i32',
    nominalInterval_s: 1 / rate_Hz,
  };
  const line = new RecorderLine(config, group);
  const reader = new Reader(watch, faults, sensors.pressureNoise_Pa, rate_Hz, seed);
  const total = Math.round(duration_s * rate_Hz);
  const scans = Math.max(1, Math.round(rate_Hz / 20));
  for (let scan = 0; scan < total; scan += scans) {
    line.block(reader.block(scan, Math.min(scans, total - scan)));
    line.outcome.summaries.length = 0;
  }
  const verdicts = line.outcome.events.map(({ blocks }) => {
    const trip = fromBlocks(blocks, empty);
    const judged = analyse(recordOf(trip, spec, sensors, knowledge), {
      revision: 1,
      software: 'test',
      reason: 'truth',
    });
    return judged.legs[0];
  });
  return outcome(scene, rate_Hz, seed, duration_s, line, verdicts, watch);
}

function outcome(
  scene: SceneName,
  rate_Hz: number,
  seed: number,
  duration_s: number,
  line: RecorderLine,
  verdicts: readonly LegVerdict[],
  watch: Watch,
): AlarmRow {
  const { truth } = watch;
  const hasTrip = scene.startsWith('trip');
  const tripped_s = rest_s + (truth?.trip_s ?? watch.contact.lastIndexOf(1) / rate_Hz);
  const seating_s = truth?.seating_s ?? null;
  const { events } = line.outcome;
  const isOfTrip = (k: number) => Math.abs(events[k].trip_s - tripped_s) < 0.1;
  let isSeatingFound = false;
  let isInstantRight = false;
  let isNoSlam = false;
  const falseSeatings: string[] = [];
  verdicts.forEach((verdict, k) => {
    const { trip, seating } = verdict.results;
    if (hasTrip && isOfTrip(k) && seating_s !== null) {
      isNoSlam ||= verdict.flags.some(({ code }) => code === 'no-measurable-slam');
      if (seating.value === null || trip.value === null) return;
      isSeatingFound = true;
      const found_s = trip.value + seating.value;
      const error_s = found_s - (rest_s + seating_s);
      const isInside =
        rest_s + seating_s >= trip.value + seating.low && rest_s + seating_s <= trip.value + seating.high;
      const isRight = isInside || Math.abs(error_s) < 0.003 + 1.5 / rate_Hz;
      isInstantRight ||= isRight;
      if (!isRight)
        falseSeatings.push(
          `${scene} ${rate_Hz} Hz seed ${seed}: seating ${(1e3 * error_s).toFixed(0)} ms off, outside its interval`,
        );
      return;
    }
    if (seating.value !== null)
      falseSeatings.push(`${scene} ${rate_Hz} Hz seed ${seed}: ${verdict.sentence}`);
  });
  const unwanted = events.flatMap(({ source, trip_s }, k) =>
    hasTrip && isOfTrip(k)
      ? []
      : [`${scene} ${rate_Hz} Hz seed ${seed}: event by ${source} at ${trip_s.toFixed(1)} s`],
  );
  return {
    scene,
    rate_Hz,
    seed,
    hours: duration_s / 3600,
    movingHours: watch.contact.length / rate_Hz / 3600,
    events: events.map(({ source }) => source),
    unwanted,
    falseSeatings,
    hasTrip,
    isTripFound: events.some(({ source }, k) => source === 'contact' && isOfTrip(k)),
    hasSeating: seating_s !== null && hasTrip,
    isSeatingFound,
    isInstantRight,
    isNoSlam,
  };
}

function rigOf(leg: RigConfig['legs'][number]): RigConfig {
  const base = recorderRig();
  const channel = (id: string, k: number, quantity: ChannelConfig['quantity']): ChannelConfig => ({
    ...base.channels[0],
    id,
    name: id,
    quantity,
    scale: steps[k],
    unit: quantity === 'pressure' ? 'Pa' : quantity === 'velocity' ? 'm/s' : '1',
  });
  return {
    ...base,
    legs: [leg],
    channels: columns.map((id, k) =>
      channel(id, k, k < 3 ? 'pressure' : id === 'meter' ? 'velocity' : 'state'),
    ),
    trip: {
      ...base.trip,
      contact: { channel: 'run', runningLevel: 1, delay_s: [0.005, 0.025] },
      tank: { channel: 'tank', setPoint_Pa: null },
    },
  };
}

/** Reads a watch as blocks: held at its first row before the scene and at its last after it, with noise and faults. */
class Reader {
  private readonly watch: Watch;
  private readonly faults: Faults;
  private readonly rate_Hz: number;
  private readonly noise_Pa: number;
  private readonly random: Random;
  /** A minute of normal numbers, read with ever other offsets: new ones for hours would cost more than the study. */
  private readonly bank: Float64Array;
  private spikeLeft = 0;
  private spike_Pa = 0;
  private spikeColumn = 0;
  private dropLeft = 0;
  private dropKind = 0;
  private frozen_Pa = 0;

  constructor(watch: Watch, faults: Faults, noise_Pa: number, rate_Hz: number, seed: number) {
    this.watch = watch;
    this.faults = faults;
    this.noise_Pa = noise_Pa;
    this.rate_Hz = rate_Hz;
    this.random = seeded(seed + 5);
    this.bank = Float64Array.from({ length: 65_521 }, () => normal(this.random));
  }

  block(scan: number, scans: number): RawBlock {
    const { watch, faults, rate_Hz, noise_Pa, bank, random } = this;
    const raw = new Int32Array(scans * 5);
    const bits = new Uint8Array(scans);
    const last = watch.contact.length - 1;
    let at = Math.floor(random() * (bank.length - 5 * scans - 1));
    for (let i = 0; i < scans; i++) {
      const t = (scan + i) / rate_Hz;
      const row = Math.min(last, Math.max(0, Math.round((t - rest_s) * rate_Hz)));
      const hum = Math.sin(2 * Math.PI * faults.hum_Hz * t);
      let outlet_Pa = watch.outlet_Pa[row] + faults.hum_Pa[0] * hum + noise_Pa * bank[at++];
      let inlet_Pa = watch.inlet_Pa[row] + faults.hum_Pa[1] * hum + noise_Pa * bank[at++];
      let tank_Pa = watch.tank_Pa[row] + 0.5 * faults.hum_Pa[1] * hum + noise_Pa * bank[at++];
      if (faults.spikes_Hz > 0) {
        if (this.spikeLeft === 0 && random() < faults.spikes_Hz / rate_Hz) {
          this.spikeLeft = 1 + Math.floor(3 * random());
          this.spike_Pa = faults.spike_Pa * (0.2 + 0.8 * random()) * (random() < 0.5 ? -1 : 1);
          this.spikeColumn = Math.floor(3 * random());
        }
        if (this.spikeLeft > 0) {
          this.spikeLeft--;
          if (this.spikeColumn === 0) outlet_Pa += this.spike_Pa;
          else if (this.spikeColumn === 1) inlet_Pa += this.spike_Pa;
          else tank_Pa += this.spike_Pa;
        }
      }
      if (faults.dropouts_Hz > 0) {
        if (this.dropLeft === 0 && random() < faults.dropouts_Hz / rate_Hz) {
          this.dropLeft = Math.ceil(rate_Hz * 3 * random());
          this.dropKind = Math.floor(3 * random());
          this.frozen_Pa = outlet_Pa;
        }
        if (this.dropLeft > 0) {
          this.dropLeft--;
          if (this.dropKind === 0) bits[i] = dropped;
          else outlet_Pa = this.dropKind === 1 ? this.frozen_Pa : -1e5;
        }
      }
      raw[5 * i] = Math.round(outlet_Pa / steps[0]);
      raw[5 * i + 1] = Math.round(inlet_Pa / steps[1]);
      raw[5 * i + 2] = Math.round(tank_Pa / steps[2]);
      raw[5 * i + 3] = Math.round((watch.meter_mps[row] + 0.01 * bank[at++]) / steps[3]);
      raw[5 * i + 4] = watch.contact[row];
    }
    return {
      group: 0,
      scan,
      scans,
      time_s: scan / rate_Hz,
      interval_s: 1 / rate_Hz,
      halfWidth_s: 0,
      raw,
      quality: bits,
      lostBefore: 0,
    };
  }
}

/** The recorder's blocks as the samples of a trip; samples of bad quality are left out. */
function fromBlocks(blocks: readonly RawBlock[], like: SimulatedTrip): SimulatedTrip {
  const cells: number[][] = [[], [], [], [], [], []];
  for (const { raw, scans, time_s, interval_s, quality } of blocks) {
    for (let i = 0; i < scans; i++) {
      if (quality[i] !== 0) continue;
      cells[0].push(time_s + i * interval_s);
      for (let c = 0; c < 5; c++) cells[c + 1].push(raw[5 * i + c] * steps[c]);
    }
  }
  const [time_s, outlet, inlet, tank, meter, run] = cells.map((cell) => Float64Array.from(cell));
  return {
    ...like,
    time_s,
    legs: [{ ...like.legs[0], outlet_Pa: outlet, inlet_Pa: inlet, meter_mps: meter }],
    tank_Pa: tank,
    contact: Uint8Array.from(run),
  };
}

/** Counts by scene and rate, and the targets. */
export function alarmLines(rows: readonly AlarmRow[]): string[] {
  const hours = rows.reduce((sum, row) => sum + row.hours, 0);
  const moving = rows.reduce((sum, row) => sum + row.movingHours, 0);
  const cells: string[][] = [];
  const share = (some: readonly AlarmRow[], test: (row: AlarmRow) => boolean) =>
    some.length === 0 ? '-' : `${some.filter(test).length} of ${some.length}`;
  for (const scene of scenes) {
    for (const rate_Hz of rates_Hz) {
      const here = rows.filter((row) => row.scene === scene && row.rate_Hz === rate_Hz);
      if (here.length === 0) continue;
      const seated = here.filter(({ hasSeating }) => hasSeating);
      cells.push([
        scene,
        String(rate_Hz),
        String(here.length),
        String(here.reduce((sum, row) => sum + row.events.length, 0)),
        String(here.reduce((sum, row) => sum + row.unwanted.length, 0)),
        String(here.reduce((sum, row) => sum + row.falseSeatings.length, 0)),
        share(
          here.filter(({ hasTrip }) => hasTrip),
          ({ isTripFound }) => isTripFound,
        ),
        share(seated, ({ isSeatingFound }) => isSeatingFound),
        share(seated, ({ isSeatingFound, isNoSlam }) => !isSeatingFound && isNoSlam),
        share(
          seated.filter(({ isSeatingFound }) => isSeatingFound),
          ({ isInstantRight }) => isInstantRight,
        ),
      ]);
    }
  }
  const tripped = rows.filter(({ hasTrip }) => hasTrip);
  const isSlow = ({ scene }: AlarmRow) => scene.includes('slow');
  const fast = rows.filter((row) => row.hasSeating && row.rate_Hz >= 500 && !isSlow(row));
  const soft = rows.filter((row) => row.hasSeating && isSlow(row));
  const wrong = rows.flatMap(({ falseSeatings }) => falseSeatings);
  const unwanted = rows.flatMap((row) => row.unwanted);
  return [
    `${rows.length} watches, ${hours.toFixed(1)} simulated hours (${moving.toFixed(1)} of them with the plant in motion, the rest is noise and faults on what stands still), seeds ${rows[0]?.seed} to ${rows[rows.length - 1]?.seed}.`,
    '',
    ...table(
      [
        'scene',
        'Hz',
        'watches',
        'events',
        'unwanted',
        'false seatings',
        'trips by contact',
        'seatings found',
        'said to be no slam',
        'instant right',
      ],
      cells,
    ),
    '',
    `- false seatings, wrong instants of a trip's own seating among them: ${wrong.length} (target 0)`,
    `- events that no trip made: ${unwanted.length}, one in ${unwanted.length === 0 ? '-' : (hours / unwanted.length).toFixed(0)} h`,
    `- trips with a contact: ${share(tripped, ({ isTripFound }) => isTripFound)} (target all)`,
    `- seatings at 500 Hz and more: ${share(fast, ({ isSeatingFound }) => isSeatingFound)} (target 99 %)`,
    `- slow fills: ${share(soft, ({ isSeatingFound }) => isSeatingFound)} seatings found (target 93 %), ${soft.filter((row) => !row.isSeatingFound && row.isNoSlam).length} of the rest said to be no slam`,
    ...wrong.map((line) => `- false seating: ${line}`),
    ...unwanted.map((line) => `- unwanted event: ${line}`),
  ];
}
