/** A line that loses bytes, all the way: frames that fail their check are gaps of 10 ms and more in events and verdicts. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { truthErrors } from '../../daemon/virtual-rig/truth-error.ts';
import { simulateRun } from '../support/simulated-run.ts';
import { simulatedRig } from './rigs.ts';

test('a minute over a line that drops one frame in ten: no trip missed or invented, intervals hold', async () => {
  const folder = mkdtempSync(join(tmpdir(), 'simulated-gaps-'));
  try {
    const { spec, config } = simulatedRig(3, folder, null);
    const line = spec.lines.find(({ face }) => face === 'converter')?.id ?? '';
    const faults = [{ line, bitErrors_ratio: 0, lostBytes_ratio: 1e-3 }];
    const run = await simulateRun({ ...spec, faults }, config, 60);
    expect(run.scansLost).toBeGreaterThan(1000);
    expect(run.truths.length).toBeGreaterThanOrEqual(4);
    expect({ missed: run.missed, falseEvents: run.falseEvents }).toEqual({ missed: [], falseEvents: [] });
    const legs = run.events.flatMap(({ trip_s, verdict }) => {
      const truth = run.truths.find(({ driveLost_s }) => Math.abs(driveLost_s - trip_s) < 0.3);
      return verdict.legs.flatMap((leg) => {
        const own = truth?.legs.find((candidate) => candidate.leg === leg.leg);
        return own === undefined || !leg.active ? [] : [{ leg, own }];
      });
    });
    const stated = legs.flatMap(({ leg, own }) =>
      truthErrors(leg, own).filter(({ isInside }) => isInside !== null),
    );
    const inside = stated.filter(({ isInside }) => isInside).length;
    console.log(
      `${legs.length} legs, ${run.scansLost} scans lost, ${inside} of ${stated.length} inside, ` +
        `${legs.filter(({ leg }) => leg.flags.some(({ code }) => code === 'samples-missing')).length} with a gap at the closing`,
    );
    expect(stated.length).toBeGreaterThan(30);
    expect(inside / stated.length).toBeGreaterThan(0.9);
    expect(legs.some(({ leg }) => leg.flags.some(({ code }) => code === 'samples-missing'))).toBe(true);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
});
