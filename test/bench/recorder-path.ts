/** How many samples a second one core takes through the recorder's straight path. */
import { crc32 } from 'node:zlib';
import { Calibrator } from '../../daemon/recorder/calibrate.ts';
import { TripDetector } from '../../daemon/recorder/detect.ts';
import { HistoryRing } from '../../daemon/recorder/history.ts';
import { Summariser } from '../../daemon/recorder/summary.ts';
import { blockOf, groupOf, ordinaryTrip, recorderRig, tripScene } from '../support/recorder-rig.ts';
import type { BenchRow } from './row.ts';

const scans = 25;
const interval_s = 200e-6;
const channels = 4;
/** Samples of 16 bits in a frame of the converter, with its head and its digital word. */
const frame_bytes = 16 + scans * (channels * 2 + 2);
const rounds = 5;
const blocksPerRound = 400_000;

/** Prints the row for calibrate + detect + summary with the CRC of each frame, and one with the history ring as well. */
export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const target = 60;
  const plain = run(false);
  const note = `blocks of ${scans} scans x ${channels} channels, CRC-32 of each frame, best of ${rounds} rounds`;
  report({
    name: 'recorder path',
    figure: round(plain),
    unit: 'M samples/s',
    target: `>= ${target}`,
    meets: plain >= target,
    note,
  });
  const whole = run(true);
  report({
    name: 'recorder path with history ring',
    figure: round(whole),
    unit: 'M samples/s',
    target: `>= ${target}`,
    meets: whole >= target,
    note,
  });
}

function run(hasHistory: boolean): number {
  const config = recorderRig();
  const spec = groupOf(interval_s);
  const calibrator = new Calibrator(spec, config.channels);
  let trips = 0;
  let periods = 0;
  const detector = new TripDetector(config, [spec], () => {
    trips++;
  });
  const summariser = new Summariser(channels, 1, () => {
    periods++;
  });
  const history = new HistoryRing(spec, 20);
  const frame = new Uint8Array(frame_bytes);
  const places = Int32Array.from([0, 1, 2, 3]);
  // One second of a loop that fills, played again and again with running time.
  const scene = tripScene({ ...ordinaryTrip, trip_s: 1e9 });
  const blocks = Array.from({ length: 200 }, (_, k) => blockOf(scene, 0, k * scans, scans, interval_s));
  let best = 0;
  let sum = 0;
  let done = 0;
  for (let round = 0; round < rounds; round++) {
    const start_ns = process.hrtime.bigint();
    for (let k = 0; k < blocksPerRound; k++, done++) {
      const block = blocks[done % 200];
      const time_s = done * scans * interval_s;
      sum ^= crc32(frame);
      const calibrated = { ...calibrator.calibrate(block), time_s };
      summariser.add(0, calibrated, places);
      detector.take(0, calibrated);
      if (hasHistory) history.append(block);
    }
    const took_s = Number(process.hrtime.bigint() - start_ns) * 1e-9;
    best = Math.max(best, (blocksPerRound * scans * channels) / took_s / 1e6);
  }
  if (trips !== 0 || periods < 1000 || sum === 1)
    throw new Error(`the path did not work: ${trips} trips, ${periods} periods`);
  return best;
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}
