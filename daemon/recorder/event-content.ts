/** What goes into an event's folder, and how whole it is. */
import type { RigConfig } from '../../config/rig.ts';
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import { completenessOf, holes } from '../store/completeness.ts';
import type { EventContent, EventGroup, EventHeader } from '../store/event-folder.ts';
import { version } from '../version.ts';
import type { Line } from './line.ts';
import type { EndedEvent } from './open-events.ts';

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
      const missing = holes(own, event.from_s, event.to_s, spec.nominalInterval_s);
      groups.push({
        ...spec,
        ...completenessOf(own, event, spec.nominalInterval_s),
        ...(missing.length === 0 ? {} : { missing }),
      });
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
