/** Whether every acknowledged event is whole, holds what the instruments showed, and stands in the index as in its folder. */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { openEventStore } from '../../daemon/server/event-store.ts';
import { type EventHeader, eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import { loadEvent } from '../../daemon/store/load-record.ts';
import { decodeTrace } from '../../daemon/store/trace.ts';
import type { SoakLine } from './lines.ts';
import { registerValue, scanOf, streamColumns, streamValues } from './values.ts';
import { type DeliveredBlock, missingScans, shortWindow, type WindowLimits } from './window-audit.ts';

export interface EventResult {
  readonly acknowledged: number;
  readonly folders: number;
  readonly whole: number;
  readonly judged: number;
  readonly wrongValues: number;
  /** The index that the server left equals one made anew from the folders, and has every event. */
  readonly isIndexRight: boolean;
  /** Events that are shorter than their windows, or lack scans that were delivered. */
  readonly short: readonly string[];
  readonly troubles: readonly string[];
}

/** What the drivers delivered of the streams, by line. */
export interface Delivered {
  readonly limits: WindowLimits;
  readonly streams: ReadonlyMap<string, readonly DeliveredBlock[]>;
}

/** `acknowledged`: ids that the recorder said were closed. Without `delivered` no event is measured by its window. */
export async function auditEvents(
  dataFolder: string,
  acknowledged: readonly string[],
  lines: readonly SoakLine[],
  delivered: Delivered | null = null,
): Promise<EventResult> {
  const short: string[] = [];
  const troubles: string[] = [];
  const ids = await listEvents(dataFolder);
  let whole = 0;
  let wrongValues = 0;
  for (const id of acknowledged) if (!ids.includes(id)) troubles.push(`${id}: acknowledged, not there`);
  for (const id of ids) {
    try {
      const { damage, header } = await loadEvent(eventFolder(dataFolder, id));
      if (damage.length > 0) troubles.push(`${id}: ${damage[0]!.why}`);
      else if (header.id !== id) troubles.push(`${id}: its header says ${header.id}`);
      else whole++;
      wrongValues += wrongIn(join(eventFolder(dataFolder, id), 'trace.bin'), lines);
      if (delivered !== null) short.push(...shortOf(dataFolder, header, delivered));
    } catch (error) {
      troubles.push(`${id}: ${String(error)}`);
    }
  }
  const index = await compareIndex(dataFolder, ids);
  troubles.push(...index.troubles);
  return {
    acknowledged: acknowledged.length,
    folders: ids.length,
    whole,
    judged: index.judged,
    wrongValues,
    isIndexRight: index.troubles.length === 0,
    short,
    troubles,
  };
}

/** What an event lacks of its windows. */
function shortOf(dataFolder: string, header: EventHeader, { limits, streams }: Delivered): string[] {
  const { id, window, trip, closedBecause } = header;
  const first_s = Math.min(
    ...[...streams.values()].map((blocks) => blocks[0]?.time_s ?? Number.POSITIVE_INFINITY),
  );
  const event = { id, trip_s: trip.time_s, ...window, closedBecause };
  const why = shortWindow(event, limits, first_s);
  const found = why === null ? [] : [why];
  const { header: trace, blocks } = decodeTrace(readFileSync(join(eventFolder(dataFolder, id), 'trace.bin')));
  for (const [line, delivered] of streams) {
    const own = blocks.filter((block) => trace.groups[block.group]!.line === line);
    const inEvent = new Set(
      own.flatMap(({ scan, scans }) => Array.from({ length: scans }, (_, i) => scan + i)),
    );
    const missing = missingScans(delivered, inEvent, window);
    if (missing > 0)
      found.push(`${id}: ${missing} scans of ${line} were delivered inside its window and are not in it`);
  }
  return found;
}

/** The index as it was left, beside the same made anew. */
async function compareIndex(
  dataFolder: string,
  ids: readonly string[],
): Promise<{ judged: number; troubles: string[] }> {
  const ingest = openEventStore({ dataFolder, software: 'soak', analyse });
  const all = { before: null, limit: ids.length + 10 };
  const left = ingest.list(all);
  await ingest.rebuild();
  const anew = ingest.list(all);
  await ingest.close();
  const troubles: string[] = [];
  const found = new Map(left.map((row) => [row.id, row]));
  for (const id of ids) if (!found.has(id)) troubles.push(`${id}: not in the index`);
  for (const row of anew) {
    const before = found.get(row.id);
    if (before !== undefined && JSON.stringify(before) !== JSON.stringify(row))
      troubles.push(`${row.id}: the index says something else than the folder`);
  }
  if (left.length > anew.length) troubles.push(`${left.length} rows in the index, ${anew.length} folders`);
  return { judged: left.filter(({ verdict }) => verdict !== null).length, troubles };
}

function wrongIn(path: string, lines: readonly SoakLine[]): number {
  const { header, blocks } = decodeTrace(readFileSync(path));
  let wrong = 0;
  const right = new Int32Array(streamColumns.length);
  const ticks = new Map<string, number>();
  for (const block of blocks) {
    const group = header.groups[block.group]!;
    const line = lines.find(({ id }) => id === group.line);
    const stride = group.channels.length;
    for (let i = 0; i < block.scans; i++) {
      const values = block.raw.subarray(i * stride, (i + 1) * stride);
      if (line?.kind === 'stream') {
        streamValues(scanOf(values[0]!, values[1]!), line, right, 0);
        if (!values.every((value, column) => value === right[column])) wrong++;
        continue;
      }
      const [first] = group.channels;
      const key = first!.slice(0, first!.lastIndexOf('-'));
      const names = group.channels.map((id) => id.slice(id.lastIndexOf('-') + 1));
      const slot = `${key} ${block.scan + i}`;
      if (names[0] === 'tick') ticks.set(slot, values[0]!);
      const tick = ticks.get(slot);
      // A window may begin between the groups of one reply.
      if (tick === undefined) continue;
      if (!names.every((name, column) => values[column] === registerValue(name, key, tick))) wrong++;
    }
  }
  return wrong;
}
