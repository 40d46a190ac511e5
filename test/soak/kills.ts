/**
 * `node test/soak/kills.ts [--count N] [--seed S] [--of recorder,server,rig]`: kills each process N times (200) at random
 * instants; see figures.md. Ends with 1 when an acknowledged event is not whole or the index says something else than the folders.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { killAtRandom, type Victim } from './kill-instants.ts';

const victims: readonly Victim[] = ['recorder', 'server', 'rig'];
const { values } = parseArgs({
  options: {
    count: { type: 'string', default: '200' },
    seed: { type: 'string', default: '1' },
    of: { type: 'string', default: victims.join(',') },
  },
});
const count = Number(values.count);
const seed = Number(values.seed);
const wanted = values.of.split(',');
if (
  !(count >= 1) ||
  !Number.isInteger(seed) ||
  wanted.some((name) => !victims.some((each) => each === name))
) {
  process.stderr.write(`--count: from 1 on; --seed: a whole number; --of: some of ${victims.join(',')}\n`);
  process.exit(64);
}
for (const victim of victims.filter((each) => wanted.includes(each))) {
  const folder = mkdtempSync(join(tmpdir(), 'tripwave-kills-'));
  const result = await killAtRandom(victim, count, seed, folder);
  process.stdout.write(`${JSON.stringify(result)}\n`);
  if (result.failures.length > 0) {
    process.stderr.write(`kept for a look: ${folder}\n`);
    process.exitCode = 1;
  } else rmSync(folder, { recursive: true });
}
