import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { truthErrors } from '../../daemon/virtual-rig/truth-error.ts';
import { type SimulatedRun, simulateRun } from '../support/simulated-run.ts';
import { simulatedRig } from './rigs.ts';

let folder = '';
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'simulated-'));
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

function run(seed: number, most_s: number): Promise<SimulatedRun> {
  const { spec, config } = simulatedRig(seed, folder, null);
  return simulateRun(spec, { ...config, dataFolder: mkdtempSync(join(folder, 'data-')) }, most_s);
}

/** What a verdict says but for the event's name, whose suffix is drawn. */
const legsOf = ({ events }: SimulatedRun) => events.map(({ verdict: { event: _, ...rest } }) => rest);

test('two minutes of a rig on the simulated clock: no trip missed, none invented, no sample lost, truth in the intervals', async () => {
  const { events, falseEvents, missed, scansLost, simulated_s, truths } = await run(1, 120);
  expect(simulated_s).toBe(120);
  expect(truths.length).toBeGreaterThanOrEqual(8);
  expect({ falseEvents, missed, scansLost }).toEqual({ falseEvents: [], missed: [], scansLost: 0 });
  expect(truths.filter(({ isDisturbed }) => isDisturbed)).toEqual([]);
  const stated = events.flatMap(({ trip_s, verdict }) => {
    const truth = truths.find(({ driveLost_s }) => Math.abs(driveLost_s - trip_s) < 0.3);
    return verdict.legs.flatMap((leg) => {
      const legTruth = truth?.legs.find((candidate) => candidate.leg === leg.leg);
      return legTruth === undefined
        ? []
        : truthErrors(leg, legTruth).filter(({ isInside }) => isInside !== null);
    });
  });
  expect(stated.length).toBeGreaterThan(80);
  // As in real time (test/hil): nine of ten; of a few dozen trips a 95 % interval may miss some.
  const inside = stated.filter(({ isInside }) => isInside);
  expect(inside.length / stated.length).toBeGreaterThan(0.9);
});

test('the same seed gives the same verdicts to the last digit', async () => {
  const first = await run(2, 30);
  const second = await run(2, 30);
  expect(first.events.length).toBeGreaterThanOrEqual(2);
  expect(legsOf(second)).toEqual(legsOf(first));
});

test('a run that is cut between an event and its truth invents no trip', async () => {
  const [first] = (await run(1, 20)).truths;
  const cut = await run(1, first!.driveLost_s - 1000 + 3.59);
  expect(cut.events.length).toBe(1);
  expect(cut.falseEvents).toEqual([]);
  expect(cut.simulated_s).toBeLessThan(20);
});

test('a run that is cut while a record is open waits for its end and its truth', async () => {
  const [first] = (await run(1, 20)).truths;
  const cut = await run(1, first!.driveLost_s - 1000 + 0.5);
  expect(cut.events.length).toBe(1);
  expect(cut.falseEvents).toEqual([]);
  expect(cut.truths.length).toBe(1);
});
