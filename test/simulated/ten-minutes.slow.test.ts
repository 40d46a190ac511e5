/** A share of `npm run simulate -- 60`: ten minutes of rig, recorder and verdicts on the simulated clock. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { simulateRun } from '../support/simulated-run.ts';
import { simulatedRig } from './rigs.ts';

test('ten minutes of a rig: every trip has its verdict, none is invented, in a tenth of the time', async () => {
  const folder = mkdtempSync(join(tmpdir(), 'simulated-'));
  try {
    const { spec, config } = simulatedRig(1, folder, null);
    const run = await simulateRun(spec, config, 600);
    expect(run.simulated_s).toBeGreaterThanOrEqual(600);
    // A cycle of both legs takes some 22 s.
    expect(run.truths.length).toBeGreaterThan(45);
    const { falseEvents, missed, scansLost } = run;
    expect({ falseEvents, missed, scansLost }).toEqual({ falseEvents: [], missed: [], scansLost: 0 });
    expect(run.events.length).toBe(run.truths.length);
    // 20 measured. Processor time, because other tests run beside this one.
    expect(run.simulated_s / run.processor_s).toBeGreaterThan(10);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}, 300_000);
