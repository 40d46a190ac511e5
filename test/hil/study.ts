/** Random trips over real pseudo-terminals: virtual rigs, recorders, event folders, verdicts, compared with the truth. */
import { fork } from 'node:child_process';
import { once } from 'node:events';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { LegVerdict } from '../../daemon/analysis/verdict.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { forkRigs } from '../../daemon/virtual-rig/fork-rig.ts';
import type { LegTruthOnClock, TripTruth } from '../../daemon/virtual-rig/truth.ts';
import { type MetricError, truthErrors } from '../../daemon/virtual-rig/truth-error.ts';
import type { RigKind } from '../support/random-rig.ts';
import { type HilRig, hilRig } from './hil-rig.ts';
import type { FromWorker } from './recorder-worker.ts';

/** One leg in one trip, judged. */
export interface JudgedTrip {
  readonly seed: number;
  readonly leg: string;
  readonly kind: RigKind;
  readonly verdict: LegVerdict;
  readonly truth: LegTruthOnClock;
  readonly errors: readonly MetricError[];
  /** The simulation was held up by the machine: the truth and the wire disagree. */
  readonly isDisturbed: boolean;
}

export interface Study {
  readonly judged: readonly JudgedTrip[];
  readonly trips: number;
  /** Trips during which the machine held the simulation up: the water stood still in them, so they prove nothing. */
  readonly disturbed: number;
  /** Rigs run again for that. */
  readonly runsRepeated: number;
  /** What was missed or invented in such trips. */
  readonly ofDisturbed: readonly string[];
  /** Other trips without an event. */
  readonly missed: readonly string[];
  /** Events without a trip, or legs that were judged without having flowed. */
  readonly falseEvents: readonly string[];
  readonly scansLost: number;
}

/**
 * Runs rigs `seed, seed + 1, ...` side by side in groups; two trips each. Leaves nothing on disk. A rig that the machine held up
 * is run again, alone, `spare` times in all; only its last run counts among the trips that were judged.
 */
export async function runStudy(firstSeed: number, rigs: number, atOnce: number, spare = 0): Promise<Study> {
  const found: Found = { judged: [], missed: [], falseEvents: [], ofDisturbed: [] };
  const again: number[] = [];
  let trips = 0;
  let disturbed = 0;
  let scansLost = 0;
  let spareLeft = spare;
  for (let next = firstSeed; next < firstSeed + rigs || again.length > 0; ) {
    const count = Math.min(atOnce, firstSeed + rigs - next);
    const seeds = count > 0 ? Array.from({ length: count }, (_, k) => next + k) : again.splice(0, 1);
    next += Math.max(0, count);
    await runSeeds(seeds, async (outcome) => {
      const { rig, truths } = outcome;
      scansLost += outcome.scansLost;
      const heldUp = truths.filter(({ isDisturbed }) => isDisturbed).length;
      const isAgain = heldUp > 0 && spareLeft > 0;
      await compare(outcome, isAgain ? { ...found, judged: [] } : found);
      if (isAgain) {
        spareLeft--;
        again.push(rig.seed);
        return;
      }
      trips += truths.length;
      disturbed += heldUp;
    });
  }
  return { ...found, trips, disturbed, runsRepeated: spare - spareLeft, scansLost };
}

/** Runs rigs side by side; their events are on disk while `use` looks at each. */
async function runSeeds(seeds: readonly number[], use: (outcome: Outcome) => Promise<void>): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), 'hil-'));
  const folderOf = (seed: number) => join(folder, String(seed));
  try {
    const group = seeds.map((seed) => ({ rig: hilRig(seed, folderOf(seed)), folder: folderOf(seed) }));
    for (const outcome of await runGroup(group)) await use(outcome);
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

interface Found {
  readonly judged: JudgedTrip[];
  readonly missed: string[];
  readonly falseEvents: string[];
  readonly ofDisturbed: string[];
}

interface Outcome {
  readonly rig: HilRig;
  readonly truths: readonly TripTruth[];
  readonly folders: readonly string[];
  readonly scansLost: number;
}

async function runGroup(group: readonly { rig: HilRig; folder: string }[]): Promise<Outcome[]> {
  const truths = group.map((): TripTruth[] => []);
  const ends = group.map(() => Promise.withResolvers<void>());
  const handles = await forkRigs(
    group.map(({ rig, folder }, k) => ({
      source: rig.spec,
      options: {
        folder,
        truthFolder: null,
        onTruth: (truth: TripTruth) => truths[k]!.push(truth),
        onEnd: () => ends[k]!.resolve(),
        onLost: (why: string) => ends[k]!.reject(new Error(why)),
      },
    })),
  );
  const recorders = await Promise.all(group.map(({ rig }) => startWorker(rig)));
  await Promise.all(ends.map(({ promise }) => promise));
  const folders = await Promise.all(recorders.map((recorder, k) => recorder.finish(truths[k]!.length)));
  await Promise.all(handles.map((handle) => handle.stop()));
  return group.map(({ rig }, k) => ({ rig, truths: truths[k]!, ...folders[k]! }));
}

async function startWorker(rig: HilRig) {
  const child = fork(new URL('./recorder-worker.ts', import.meta.url), { serialization: 'advanced' });
  const folders: string[] = [];
  const stopped = Promise.withResolvers<number>();
  const started = Promise.withResolvers<void>();
  child.on('message', (message: FromWorker) => {
    if (message.kind === 'started') started.resolve();
    else if (message.kind === 'event') folders.push(message.folder);
    else if (message.kind === 'stopped') {
      const lost = Object.values(message.counters).reduce((sum, own) => sum + (own['scansLost'] ?? 0), 0);
      stopped.resolve(lost);
    }
  });
  child.once('exit', (code) => {
    const error = new Error(`the recorder ended with code ${code}`);
    started.reject(error);
    stopped.reject(error);
  });
  child.send({ config: rig.config });
  await started.promise;
  return {
    /** Waits (10 s at most) for as many events as there were trips, then stops. */
    async finish(expected: number) {
      for (let waited_ms = 0; folders.length < expected && waited_ms < 10_000; waited_ms += 50) {
        await new Promise((done) => setTimeout(done, 50));
      }
      child.send('stop');
      const scansLost = await stopped.promise;
      if (child.exitCode === null) await once(child, 'exit');
      return { folders, scansLost };
    },
  };
}

async function compare({ rig, truths, folders }: Outcome, all: Found): Promise<void> {
  const found = new Set<TripTruth>();
  for (const folder of folders) {
    const { header, record } = await loadEvent(folder);
    const truth = truths.find((candidate) => Math.abs(candidate.driveLost_s - header.trip.time_s) < 0.3);
    if (truth === undefined) {
      const away = truths.map(({ driveLost_s }) => `${(header.trip.time_s - driveLost_s).toFixed(2)} s`);
      const nearest = truths.toSorted(
        (a, b) => Math.abs(a.driveLost_s - header.trip.time_s) - Math.abs(b.driveLost_s - header.trip.time_s),
      )[0];
      (nearest?.isDisturbed ? all.ofDisturbed : all.falseEvents).push(
        `rig ${rig.seed}: ${header.id} (${header.trip.source}) without a trip; after the trips by ${away.join(', ')}`,
      );
      continue;
    }
    const falseEvents = truth.isDisturbed ? all.ofDisturbed : all.falseEvents;
    if (found.has(truth))
      falseEvents.push(`rig ${rig.seed}: ${header.id} is a second event of trip ${truth.trip}`);
    found.add(truth);
    const verdict = analyse(record, { revision: 1, software: 'study', reason: 'study' });
    for (const leg of verdict.legs) {
      const legTruth = truth.legs.find((candidate) => candidate.leg === leg.leg);
      if (legTruth === undefined) {
        if (leg.active)
          falseEvents.push(`rig ${rig.seed}: leg ${leg.leg} judged in ${header.id} without flow`);
        continue;
      }
      all.judged.push({
        seed: rig.seed,
        leg: leg.leg,
        kind: rig.kinds[leg.leg]!,
        verdict: leg,
        truth: legTruth,
        errors: truthErrors(leg, legTruth),
        isDisturbed: truth.isDisturbed,
      });
    }
  }
  for (const truth of truths) {
    if (found.has(truth)) continue;
    (truth.isDisturbed ? all.ofDisturbed : all.missed).push(
      `rig ${rig.seed}: trip ${truth.trip} without an event`,
    );
  }
}
