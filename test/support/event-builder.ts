/** Small whole events for tests of the store. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Analyse } from '../../daemon/server/take-in.ts';
import type { EventContent } from '../../daemon/store/event-folder.ts';
import { blockOf, groupOf, ordinaryTrip, recorderRig, tripScene } from './recorder-rig.ts';

const interval_s = 0.005;

/** A folder under the system's temporary one, for `remove` to delete. */
export function temporaryFolder(): { readonly path: string; readonly remove: () => void } {
  const path = mkdtempSync(join(tmpdir(), 'tripwave-'));
  return { path, remove: () => rmSync(path, { recursive: true, force: true }) };
}

/** An event of 5 s round a trip at 3 s; `second` (0 to 59) makes its id. */
export function eventContent(dataFolder: string, second = 0): EventContent {
  const scene = tripScene(ordinaryTrip, second + 1);
  const blocks = Array.from({ length: 50 }, (_, k) => blockOf(scene, 1.5, k * 20, 20, interval_s));
  const config = recorderRig({ dataFolder });
  return {
    blocks,
    header: {
      format: 'tripwave-event',
      version: 1,
      id: `20260611T1200${String(second).padStart(2, '0')}Z-T01`,
      software: 'test',
      boot: 'test',
      trip: { source: 'contact', time_s: 3.012, declared_s: 3.02 },
      window: { from_s: 1.5, to_s: 6.5 },
      closedBecause: 'settled',
      anchor: { time_s: 3, wall_ms: Date.UTC(2026, 5, 11, 12, 0, second) },
      config,
      groups: [{ ...groupOf(interval_s), line: 'stream', scans: 1000, scansLost: 0 }],
      lineCounters: {},
    },
  };
}

/** Says nothing of the record but that it was read: as many legs as it has, none of them judged. */
export const countingAnalyse: Analyse = (record, { revision, software, reason }) => ({
  event: record.id,
  revision,
  software,
  reason: `${reason}, ${record.legs[0].outlet.value.length} samples`,
  tripSource: 'contact',
  legs: [],
});
