/** What goes into an event's folder, and how whole it is. */
import type { RigConfig } from '../../config/rig.ts';
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import type { EventContent, EventGroup, EventHeader } from '../store/event-folder.ts';
import { version } from '../version.ts';
import type { Line } from './line.ts';
import type { EndedEvent } from './open-events.ts';

/** Scans in the window, and how many are missing: between blocks, and at both ends. */
function completenessOf(
  blocks: readonly RawBlock[],
  window: { readonly from_s: number; readonly to_s: number },
  interval_s: number,
): { scans: number; scansLost: number } {
  let scans = 0;
  let lost = 0;
  let end_s = window.from_s;
  for (const block of blocks) {
    const gap = Math.round((block.time_s - end_s) / interval_s);
    // A gap that the driver did not count still is one; one interval more or less is not.
    lost += Math.max(block.lostBefore, gap > 1 ? gap : 0);
    scans += block.scans;
    end_s = block.time_s + block.scans * (block.scans > 1 ? block.interval_s : interval_s);
  }
  const tail = Math.floor((window.to_s - end_s) / interval_s);
  return { scans, scansLost: lost + Math.max(0, tail > 1 ? tail : 0) };
}

/** The record of an ended event, cut from the histories of all lines; nothing of it is shared with them. */
export function contentOf(
  event: EndedEvent,
  lines: readonly Line[],
  config: RigConfig,
  boot: string,
): EventContent {
  const blocks: RawBlock[] = [];
  const groups: EventGroup[] = [];
  const lineCounters: Record<string, Counters> = {};
  for (const line of lines) {
    lineCounters[line.id] = { ...line.driver.counters };
    for (const { spec, history } of line.groups) {
      const own = history.extract(event.from_s, event.to_s, groups.length);
      groups.push({ ...spec, ...completenessOf(own, event, spec.nominalInterval_s) });
      for (const block of own) blocks.push(block);
    }
  }
  // Where messages go is no part of what was measured.
  const { publish: _, ...rig } = config;
  const header: EventHeader = {
    format: 'tripwave-event',
    version: 1,
    id: event.id,
    software: version,
    boot,
    trip: { source: event.source, time_s: event.trip_s, declared_s: event.declared_s },
    window: { from_s: event.from_s, to_s: event.to_s },
    closedBecause: event.closedBecause,
    anchor: event.anchor,
    config: rig,
    groups,
    lineCounters,
  };
  return { header, blocks };
}
