/** A virtual rig in real time on real ports; on another clock and other ports where they are given. */
import { join } from 'node:path';
import { type Clock, type ClockTimer, systemClock } from '../../drivers/clock.ts';
import { sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { type MakePort, type Outlet, openPorts, speaks } from './outlets.ts';
import type { PortAddress } from './port.ts';
import { Rig } from './rig.ts';
import type { RigFault, RigSpec } from './rig-spec.ts';
import { type RigTime, serveBus, serveTcp } from './serve-bus.ts';
import { type TripTruth, tripTruth, writeTruth } from './truth.ts';

export interface RunRigOptions {
  /** Port names of the rig are relative to this folder; default: the working directory. */
  readonly folder?: string;
  /** Where truths go; default: `truth` beside the ports. Null: nowhere. */
  readonly truthFolder?: string | null;
  /** Gets the one sentence that must be said when there are no pseudo-terminals. */
  readonly warn?: (sentence: string) => void;
  /** A trip has settled and its truth is written (`path` null: nowhere). */
  readonly onTruth?: (truth: TripTruth, path: string | null) => void;
  /** The cycle has made all its trips. */
  readonly onEnd?: () => void;
  /** Default: the machine's. */
  readonly clock?: Clock;
  /** Makes the ports instead of `RigSpec.transport`. */
  readonly makePort?: MakePort;
}

/** Where a line can be reached. */
export interface RigPort {
  readonly line: string;
  readonly face: 'modbus' | 'converter';
  readonly address: PortAddress;
  readonly baud: number;
  readonly characterBits: number;
  /** What a line of face `modbus` speaks. */
  readonly speaks: 'rtu' | 'tcp';
}

export interface RigStatus {
  readonly phase: string;
  readonly time_s: number;
  readonly tank_Pa: number;
  /** Time lost because the process was held up for more than a second at a time, in s. */
  readonly skipped_s: number;
  readonly counters: Readonly<Record<string, Readonly<Record<string, number>>>>;
}

export interface RunningRig {
  readonly ports: readonly RigPort[];
  readonly truthFolder: string | null;
  /** Reads on CLOCK_MONOTONIC at the plant's time 0, in s. */
  readonly base_s: number;
  status(): RigStatus;
  /** Throws RangeError when there is no such line, unit or sensor. */
  setFault(fault: RigFault): void;
  unplug(line: string): void;
  replug(line: string): Promise<void>;
  /** Loss of drive now. */
  trip(): void;
  /** Resolves when ports are closed and their names removed. */
  stop(): Promise<void>;
}

/**
 * Longest and shortest time between two looks at the clock, in ms. On the machine's clock 20-25 steps of the plant. On an exact
 * one frames must leave at their very instant: there is no jitter that would spread a delay out, it would lock.
 */
const machines = { look_ms: 5, least_ms: 1 } as const;
const exact = { look_ms: 1, least_ms: 1e-3 } as const;
/** Steps at a time; a longer backlog is worked off in turns, so that the ports are served. */
const stepsAtATime = 250;
/** A backlog beyond this is not made up for: the process was stopped, and the wire with it, in s. */
const longestBacklog_s = 1;

/** A rig that is behind by more than this (twice a tick) for a whole second is out of step with its truth, in s. */
const outOfStep_s = 10e-3;

/** Starts the rig; resolves when every port is open. Throws UnavailableError when one cannot be opened. */
export async function runRig(spec: RigSpec, options: RunRigOptions = {}): Promise<RunningRig> {
  const clock = options.clock ?? systemClock;
  if (!clock.isExact) sharpenTimers();
  const folder = options.folder ?? '.';
  const truthFolder = options.truthFolder === undefined ? join(folder, 'truth') : options.truthFolder;
  let skippedAtTrip_s = 0;
  let wasOutOfStep = false;
  /** Smallest backlog in the second that ends at `secondEnd_s`: single late ticks do no harm, a standing delay shifts every frame. */
  let leastBacklog_s = 0;
  let secondEnd_s = 1;
  const rig = new Rig(spec, {
    trip(record) {
      const isDisturbed = rig.skipped_s !== skippedAtTrip_s || wasOutOfStep;
      wasOutOfStep = false;
      skippedAtTrip_s = rig.skipped_s;
      const onClock = (plant_s: number) => base_s + rig.shown_s(plant_s);
      const truth = tripTruth(spec.name, spec.plant, record, onClock, isDisturbed);
      options.onTruth?.(truth, truthFolder === null ? null : writeTruth(truthFolder, truth));
    },
  });
  const outlets = await openPorts(rig, { ...options, folder });
  const base_s = clock.monotonic_s();
  const now_s = () => clock.monotonic_s() - base_s;
  let timer: ClockTimer | null = null;
  let isStopped = false;
  let hasEnded = false;
  const { look_ms, least_ms } = clock.isExact ? exact : machines;
  const time: RigTime = { clock, base_s, catchUp: () => catchUpWholly(), isStopped: () => isStopped };

  const flush = ({ face, port }: Outlet) => {
    face.wire.take(now_s(), (bytes) => port.write(bytes));
  };
  const catchUp = (): boolean => {
    const target_s = now_s();
    const backlog_s = target_s - rig.time_s;
    leastBacklog_s = Math.min(leastBacklog_s, backlog_s);
    if (target_s > secondEnd_s) {
      wasOutOfStep ||= leastBacklog_s > outOfStep_s;
      leastBacklog_s = backlog_s;
      secondEnd_s = target_s + 1;
    }
    if (backlog_s > longestBacklog_s) rig.skip(backlog_s);
    if (rig.phase === 'waiting') {
      // With all at rest a hold-up changes nothing that is shown.
      skippedAtTrip_s = rig.skipped_s;
      wasOutOfStep = false;
    }
    return rig.advance(target_s, stepsAtATime);
  };
  /** For replies: a unit shows what is now, not what was before a hold-up. At most `longestBacklog_s` of the plant's time. */
  const catchUpWholly = () => {
    if (!catchUp()) rig.advance(now_s(), Number.POSITIVE_INFINITY);
  };
  const tick = () => {
    if (isStopped) return;
    const isThere = catchUp();
    for (const outlet of outlets) if (outlet.face.converter !== null) flush(outlet);
    if (rig.phase === 'ended' && !hasEnded) {
      hasEnded = true;
      options.onEnd?.();
    }
    // With frames on the wire, look again when the first of them is complete rather than a whole tick later.
    const ends_s = outlets.map(({ face }) => (face.converter === null ? null : face.wire.nextEnd_s));
    const soonest_s = Math.min(
      look_ms / 1000,
      ...ends_s.map((end_s) => (end_s === null ? 1 : end_s - now_s())),
    );
    timer = clock.setTimeout(tick, isThere ? Math.max(least_ms, soonest_s * 1000) : 0);
  };
  for (const outlet of outlets)
    if (speaks(outlet.face) === 'tcp') serveTcp(outlet, time);
    else if (outlet.face.bus !== null) serveBus(outlet, time);
  tick();

  const outlet = (line: string): Outlet => {
    rig.face(line);
    return outlets.find(({ face }) => face.spec.id === line)!;
  };
  return {
    ports: outlets.map(({ face, port }) => ({
      line: face.spec.id,
      face: face.spec.face,
      address: port.address,
      baud: face.spec.baud,
      characterBits: face.spec.characterBits,
      speaks: speaks(face),
    })),
    truthFolder,
    base_s,
    status: () => ({
      phase: rig.phase,
      time_s: rig.time_s,
      tank_Pa: rig.plant.tank_Pa,
      skipped_s: rig.skipped_s,
      counters: mergeCounters(rig.counters(), outlets),
    }),
    setFault: (fault) => rig.setFault(fault),
    unplug(line) {
      const { face, port } = outlet(line);
      port.unplug();
      face.wire.clear();
    },
    replug: (line) => outlet(line).port.replug(),
    trip: () => rig.trip(),
    async stop() {
      isStopped = true;
      clock.clear(timer);
      await Promise.all(outlets.map(({ port }) => port.close()));
    },
  };
}

function mergeCounters(
  faces: ReturnType<Rig['counters']>,
  outlets: readonly Outlet[],
): RigStatus['counters'] {
  return Object.fromEntries(
    outlets.map(({ face, port }) => {
      const wire = faces[face.spec.id] ?? {};
      const { bytesOverrun, ...rest } = port.counters;
      return [face.spec.id, { ...wire, ...rest, bytesOverrun: bytesOverrun + (wire['bytesOverrun'] ?? 0) }];
    }),
  );
}
