/**
 * `npm run fleet -- --stations N --minutes M [--trip-every S] [--workers W] [--seed S] [--json]`: N made-up stations through the
 * real publishing code into a broker and a time-series server of Debian; see figures.md. Ends with 1 when anything is lost.
 */
import { parseArgs } from 'node:util';
import { runFleet } from './fleet.ts';
import { lostInAll, reportText } from './report.ts';

const { values } = parseArgs({
  options: {
    stations: { type: 'string', default: '20' },
    minutes: { type: 'string', default: '1' },
    'trip-every': { type: 'string', default: '600' },
    workers: { type: 'string', default: '2' },
    seed: { type: 'string', default: '1' },
    json: { type: 'boolean', default: false },
  },
});
const stations = Number(values.stations);
const run_s = Number(values.minutes) * 60;
const tripEvery_s = Number(values['trip-every']);
const workers = Number(values.workers);
const seed = Number(values.seed);
const isWhole = (value: number) => Number.isInteger(value) && value >= 1;
if (
  !isWhole(stations) ||
  !isWhole(workers) ||
  !Number.isInteger(seed) ||
  !(run_s >= 5) ||
  !(tripEvery_s >= 10)
) {
  process.stderr.write(
    '--stations, --workers: whole numbers from 1 on; --seed: a whole number; --minutes: from 0.1 on; --trip-every: seconds, from 10 on\n',
  );
  process.exit(64);
}
const say = (text: string) => process.stderr.write(`${text}\n`);
const result = await runFleet({
  stations,
  run_s,
  spread_s: Math.min(20, run_s / 5),
  tripEvery_s,
  seed,
  workers,
  say,
});
process.stdout.write(`${values.json ? JSON.stringify(result) : reportText(result)}\n`);
if (lostInAll(result) !== 0) process.exitCode = 1;
