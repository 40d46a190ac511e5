/** What `database-child.ts` promises, and how it is looked for. */
import { Outbox } from '../../daemon/publish/outbox.ts';
import { eventIdAt } from '../../daemon/store/event-folder.ts';
import type { EventRow } from '../../daemon/store/event-index.ts';

export function outboxOf(dataFolder: string, boot: string): Outbox {
  return new Outbox({
    dataFolder,
    node: 'n',
    boot,
    quota_bytes: 1e9,
    sinks: [{ name: 'trips', send: ['trip'] }],
    alreadyThere: () => [],
    wallNow_ms: () => 0,
  });
}

/** The n-th event, from 1. */
export function promisedEvent(n: number): EventRow {
  const wall_ms = Date.UTC(2026, 0, 1) + n * 1000;
  return {
    id: eventIdAt(wall_ms, 0),
    wall_ms,
    source: 'contact',
    closedBecause: 'settled',
    verdict: null,
    shape: null,
  };
}
