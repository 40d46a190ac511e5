/**
 * `npm run simulate [-- MINUTES [SEED]]`: a rig with its recorder and the server's intake on the simulated clock, 60 minutes of it.
 * Prints a JSON line; fails when a trip was missed or invented.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { simulateRun } from '../support/simulated-run.ts';
import { simulatedRig } from './rigs.ts';

const [minutes = 60, seed = 1] = process.argv.slice(2).map(Number);
if (!(minutes > 0) || !Number.isInteger(seed)) {
  process.stderr.write(
    `minutes ${process.argv[2]}, seed ${process.argv[3]}: more than 0 minutes and a whole seed are allowed\n`,
  );
  process.exit(64);
}
const folder = mkdtempSync(join(tmpdir(), 'simulated-'));
try {
  const { spec, config } = simulatedRig(seed, folder, null);
  const run = await simulateRun(spec, config, 60 * minutes);
  const figures = {
    simulated_s: run.simulated_s,
    real_s: Math.round(run.real_s * 10) / 10,
    timesReal: Math.round(run.simulated_s / run.real_s),
    timesProcessor: Math.round(run.simulated_s / run.processor_s),
    trips: run.truths.length,
    missed: run.missed.length,
    falseEvents: run.falseEvents.length,
    scansLost: run.scansLost,
  };
  process.stdout.write(`${JSON.stringify(figures)}\n`);
  process.exitCode = run.missed.length + run.falseEvents.length + run.scansLost === 0 ? 0 : 1;
} finally {
  rmSync(folder, { recursive: true, force: true });
}
