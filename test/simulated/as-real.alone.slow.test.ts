import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import type { LegResults, Result } from '../../daemon/analysis/verdict.ts';
import { whyNoPty } from '../../daemon/virtual-rig/pty.ts';
import { hilRig } from '../hil/hil-rig.ts';
import { runStudy } from '../hil/study.ts';
import { simulateRun } from '../support/simulated-run.ts';

const noPty = whyNoPty();
if (noPty !== null) console.warn(`skipped: trips in real time need pseudo-terminals: ${noPty}`);

/** Instants are of two clocks. */
const instants = ['trip', 'reversal', 'seating'];

const overlap = (a: Result, b: Result) =>
  a.value !== null && b.value !== null && a.low <= b.high && b.low <= a.high;

test.skipIf(noPty !== null)(
  'a rig gives the verdicts of real time on the simulated clock: the same classes, every figure within the intervals',
  async () => {
    const folder = mkdtempSync(join(tmpdir(), 'as-real-'));
    const seed = 103;
    const { spec, config } = hilRig(seed, folder);
    const simulated = await simulateRun(spec, config, 300);
    rmSync(folder, { recursive: true, force: true });
    const real = await runStudy(seed, 1, 1, 4);
    expect(real.disturbed).toBe(0);
    expect(real.missed).toEqual([]);
    expect(simulated.missed).toEqual([]);
    expect(simulated.truths.length).toBe(real.trips);
    let equal = 0;
    let figures = 0;
    for (const { leg, verdict } of real.judged) {
      const same = simulated.events
        .flatMap((event) => event.verdict.legs)
        .find((candidate) => candidate.leg === leg && candidate.active);
      expect(same?.severity.words).toBe(verdict.severity.words);
      for (const [name, result] of Object.entries(verdict.results) as [keyof LegResults, Result][]) {
        if (instants.includes(name)) continue;
        const other = same!.results[name] as Result;
        expect({ leg, name, isNull: other.value === null }).toEqual({
          leg,
          name,
          isNull: result.value === null,
        });
        if (result.value === null) continue;
        figures++;
        if (other.value === result.value) equal++;
        expect({ leg, name, result, other, overlap: overlap(result, other) }).toMatchObject({
          overlap: true,
        });
      }
    }
    console.log(
      `${figures} figures of ${real.judged.length} legs: within the intervals, ${equal} of them equal`,
    );
    expect(figures).toBeGreaterThan(20);
  },
  300_000,
);
