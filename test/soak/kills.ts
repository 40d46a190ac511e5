/**
 * `node test/soak/kills.ts [--count N] [--seed S] [--of recorder,server,rig,trips] [--rigs R]`: kills each process N times (200)
 * at random instants; `trips` kills recorder, server or both within 0 to 5 s of each of N trips, spread over R rigs side by side (2).
 * See figures.md. Ends with 1 when an acknowledged event is not whole, a trip has neither event nor a gap that explains it, or
 * the index says something else than the folders.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { type KillResult, killAtRandom } from './kill-instants.ts';
import { killAtTrips, type TripKillResult } from './kill-trips.ts';

const kinds = ['recorder', 'server', 'rig', 'trips'] as const;
const { values } = parseArgs({
  options: {
    count: { type: 'string', default: '200' },
    seed: { type: 'string', default: '1' },
    of: { type: 'string', default: kinds.join(',') },
    rigs: { type: 'string', default: '2' },
  },
});
const count = Number(values.count);
const seed = Number(values.seed);
const rigs = Number(values.rigs);
const wanted = values.of.split(',');
const isKnown = wanted.every((name) => kinds.some((each) => each === name));
if (!(count >= 1) || !Number.isInteger(seed) || !(Number.isInteger(rigs) && rigs >= 1) || !isKnown) {
  process.stderr.write(
    `--count, --rigs: from 1 on; --seed: a whole number; --of: some of ${kinds.join(',')}\n`,
  );
  process.exit(64);
}
for (const kind of kinds.filter((each) => wanted.includes(each))) {
  if (kind === 'trips') {
    const each = Math.ceil(count / rigs);
    await Promise.all(
      Array.from({ length: rigs }, (_, rig) => report((folder) => tripsOf(folder, each, rig))),
    );
  } else await report((folder) => killAtRandom(kind, count, seed, folder));
}

function tripsOf(folder: string, trips: number, rig: number): Promise<TripKillResult> {
  return killAtTrips({
    trips,
    seed: seed + rig,
    folder,
    victims: ['recorder', 'server', 'both'],
    after_s: [0, 5],
  });
}

async function report(run: (folder: string) => Promise<KillResult | TripKillResult>): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-kills-'));
  const result = await run(folder);
  process.stdout.write(`${JSON.stringify(result)}\n`);
  if (result.failures.length > 0) {
    process.stderr.write(`kept for a look: ${folder}\n`);
    process.exitCode = 1;
  } else rmSync(folder, { recursive: true });
}
