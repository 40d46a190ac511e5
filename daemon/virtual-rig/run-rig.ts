/** A virtual rig in real time on real ports. */
import { isAbsolute, join } from 'node:path';
import { monotonic_s } from '../../drivers/driver.ts';
import { sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { ModbusTcpFace } from './modbus-tcp.ts';
import type { Port, PortAddress } from './port.ts';
import { longestHold_s, runAt } from './precise-wait.ts';
import { PtyPort, whyNoPty } from './pty.ts';
import { type Face, Rig } from './rig.ts';
import type { RigFault, RigSpec } from './rig-spec.ts';
import { TcpPort } from './tcp-port.ts';
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

/** Between two looks at the clock, in ms: 20-25 steps of the plant. */
const tick_ms = 5;
/** Steps at a time; a longer backlog is worked off in turns, so that the ports are served. */
const stepsAtATime = 250;
/** A backlog beyond this is not made up for: the process was stopped, and the wire with it, in s. */
const longestBacklog_s = 1;

/** A rig that is behind by more than this (twice a tick) for a whole second is out of step with its truth, in s. */
const outOfStep_s = 10e-3;

interface Outlet {
  readonly face: Face;
  readonly port: Port;
}

/** Starts the rig; resolves when every port is open. Throws UnavailableError when one cannot be opened. */
export async function runRig(spec: RigSpec, options: RunRigOptions = {}): Promise<RunningRig> {
  sharpenTimers();
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
  const outlets = await openPorts(rig, spec, folder, options.warn);
  const base_s = monotonic_s();
  const now_s = () => monotonic_s() - base_s;
  let timer: NodeJS.Timeout | null = null;
  let isStopped = false;
  let hasEnded = false;

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
      tick_ms / 1000,
      ...ends_s.map((end_s) => (end_s === null ? 1 : end_s - now_s())),
    );
    timer = setTimeout(tick, isThere ? Math.max(1, soonest_s * 1000) : 0);
  };
  for (const outlet of outlets)
    if (speaks(outlet.face) === 'tcp') serveTcp(outlet, catchUpWholly, base_s, now_s, () => isStopped);
    else if (outlet.face.bus !== null) serveBus(outlet, catchUpWholly, now_s, base_s, () => isStopped);
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
      if (timer !== null) clearTimeout(timer);
      await Promise.all(outlets.map(({ port }) => port.close()));
    },
  };
}

/** Joins a bus to its port: requests take their time on the wire, so do replies, and silence ends a frame. */
function serveBus(
  { face, port }: Outlet,
  catchUp: () => void,
  now_s: () => number,
  base_s: number,
  isStopped: () => boolean,
): void {
  const { wire } = face;
  const bus = face.bus!;
  const gap_s = bus.gap_s;
  let pending = 0;
  const release = () => {
    if (isStopped()) return;
    wire.take(now_s(), (part) => port.write(part));
    const { nextByte_s, nextEnd_s } = wire;
    if (nextEnd_s === null || nextByte_s === null) return;
    // The first byte and the last come on time; those between come in lumps of a millisecond, as adapters deliver them.
    if (wire.isAtStart) runAt(base_s + nextByte_s, release);
    else if (nextEnd_s - now_s() > longestHold_s) setTimeout(release, 1);
    else runAt(base_s + nextEnd_s, release);
  };
  port.onData = (bytes) => {
    const start_s = now_s();
    bus.receive(wire.receive(bytes, start_s), start_s);
    const end_s = wire.received_s;
    pending++;
    // Most of the way now, the rest when the reply is made: the values in it must be fresh, and it must not be late.
    catchUp();
    runAt(base_s + end_s + gap_s, () => {
      pending--;
      // More came in the meantime: the silence begins anew.
      if (pending > 0 || isStopped()) return;
      catchUp();
      const reply = bus.finish(end_s);
      if (reply === null) return;
      runAt(base_s + reply.earliest_s, () => {
        const replyStart_s = Math.max(reply.earliest_s, wire.sent_s);
        bus.replied(replyStart_s, wire.send(reply.bytes, reply.earliest_s));
        release();
      });
    });
  };
}

/** Joins a bus to a TCP port: the network takes no time, the unit does. */
function serveTcp(
  { face, port }: Outlet,
  catchUp: () => void,
  base_s: number,
  now_s: () => number,
  isStopped: () => boolean,
): void {
  let end_s = 0;
  const tcp = new ModbusTcpFace(face.bus!, (frame, after_s) => {
    runAt(base_s + end_s + after_s, () => {
      if (!isStopped()) port.write(frame);
    });
  });
  port.onOpen = () => tcp.clear();
  port.onData = (bytes) => {
    catchUp();
    end_s = now_s();
    tcp.receive(bytes);
  };
}

function speaks({ spec }: Face): 'rtu' | 'tcp' {
  return spec.face === 'modbus' ? (spec.speaks ?? 'rtu') : 'rtu';
}

async function openPorts(
  rig: Rig,
  spec: RigSpec,
  folder: string,
  warn: RunRigOptions['warn'],
): Promise<readonly Outlet[]> {
  let transport = spec.transport;
  if (transport === 'auto') {
    const why = whyNoPty();
    transport = why === null ? 'pty' : 'tcp';
    if (why !== null)
      warn?.(`No pseudo-terminals here (${why}): the lines of this rig are TCP ports on 127.0.0.1 instead.`);
  }
  const outlets: Outlet[] = [];
  try {
    for (const face of rig.faces) {
      const name = face.spec.port;
      const path = isAbsolute(name) ? name : join(folder, name);
      const isPty = transport === 'pty' && speaks(face) === 'rtu';
      outlets.push({ face, port: isPty ? new PtyPort(path) : await TcpPort.open() });
    }
  } catch (error) {
    await Promise.all(outlets.map(({ port }) => port.close()));
    throw error;
  }
  return outlets;
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
