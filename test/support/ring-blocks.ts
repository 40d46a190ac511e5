/** Blocks and a ring for tests, on a clock that the test moves. */
import { DiskRing } from '../../daemon/recorder/disk-ring.ts';
import type { Files } from '../../daemon/store/files.ts';
import { disk } from '../../daemon/store/files.ts';
import type { TraceGroup } from '../../daemon/store/trace-header.ts';
import type { RawBlock } from '../../drivers/driver.ts';
import { recorderRig } from './recorder-rig.ts';
import { silentLog } from './silent-log.ts';

export const ringGroups: readonly TraceGroup[] = [
  { line: 'a', id: 'stream', channels: ['p', 'q', 'r'], encoding: 'i32', nominalInterval_s: 0.001 },
  { line: 'b', id: 'unit1', channels: ['v'], encoding: 'f64', nominalInterval_s: 0.02 },
];

/** 2026-11-25 10:00 UTC. */
export const ringStart_ms = Date.UTC(2026, 10, 25, 10);

export interface TestRing {
  readonly ring: DiskRing;
  /** Moves the clock and lets the ring commit what is due. */
  pass(time_s: number): Promise<void>;
  now_s(): number;
}

export function testRing(
  dataFolder: string,
  choice: {
    files?: Files;
    groups?: readonly TraceGroup[];
    boot?: string;
    start_s?: number;
    mostPending_bytes?: number;
  } = {},
): TestRing {
  let now_s = choice.start_s ?? 1000;
  const files = choice.files ?? disk;
  const ring = new DiskRing({
    config: recorderRig({ dataFolder }),
    boot: choice.boot ?? 'boot-1',
    groups: choice.groups ?? ringGroups,
    anchor: () => ({ time_s: now_s, wall_ms: ringStart_ms + (now_s - 1000) * 1000 }),
    files,
    log: silentLog(),
    now_s: () => now_s,
    ...(choice.mostPending_bytes === undefined ? {} : { mostPending_bytes: choice.mostPending_bytes }),
  });
  return {
    ring,
    now_s: () => now_s,
    async pass(time_s) {
      now_s += time_s;
      ring.tick(now_s);
      await ring.idle();
    },
  };
}

/** A block of group 0 that begins at `scan`: 1 kHz from 1000 s on, numbers that follow from the scan number. */
export function streamBlock(scan: number, scans: number, lostBefore = 0): RawBlock {
  return {
    group: 0,
    scan,
    scans,
    time_s: 1000 + scan / 1000,
    interval_s: 0.001,
    halfWidth_s: 0.0001,
    raw: Int32Array.from({ length: scans * 3 }, (_, k) => 1000 + ((scan * 3 + k) % 97)),
    quality: new Uint8Array(scans),
    lostBefore,
  };
}
