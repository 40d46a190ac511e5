/** The event of a trip whose recorder died before it was written, made again from the disk ring. */
import type { RawBlock } from '../../drivers/driver.ts';
import { completenessOf, holes } from '../store/completeness.ts';
import { cutBlock } from '../store/cut-block.ts';
import type { EventContent, Rebuilt } from '../store/event-folder.ts';
import type { Files } from '../store/files.ts';
import type { RingHeader } from '../store/ring-format.ts';
import { listRing, readRing } from '../store/ring-read.ts';
import type { TripDeclaration } from '../store/trip-ledger.ts';
import { version } from '../version.ts';
import { type EndedEvent, OpenEvents } from './open-events.ts';
import { RingReplay } from './ring-replay.ts';

/** Detection is given so much of the time before the record, so that it knows the levels, in s. */
const warmUp_s = 2;

export interface RebuildRequest {
  readonly trip: TripDeclaration;
  /** The next trip of the same run, which ended the event; Infinity when there was none. */
  readonly next_s: number;
  readonly noRecorder: Rebuilt['noRecorder'];
  readonly now_ms: number;
}

/**
 * The event as the ring still has it: ended by the same rules as a live one, or `truncated` where the samples end. Null when the
 * ring holds nothing of it. Rejects with the system's error when the disk refuses.
 */
export async function rebuildEvent(
  dataFolder: string,
  request: RebuildRequest,
  files: Files,
): Promise<EventContent | null> {
  const { trip, next_s } = request;
  const headers = (await listRing(dataFolder, files)).map(({ header }) => header);
  const own = headers.filter(({ boot }) => boot === trip.boot);
  // The calibration that was in force at the trip holds for the whole record, as in a live event.
  const header = own.findLast(({ anchor }) => anchor.time_s <= trip.trip_s) ?? own[0];
  if (header === undefined) return null;
  const { before_s, withoutSeating_s, afterSeating_s } = header.config.windows;
  const from_s = trip.trip_s - before_s;
  const replay = new RingReplay(header);
  // A valve may seat at the last moment, and what the latest channel says of the end comes after it.
  const longest_s = withoutSeating_s + afterSeating_s + replay.detector.latest_s;
  const latest_s = Math.min(next_s, trip.trip_s + longest_s);
  const blocks: RawBlock[] = [];
  const window = { boot: trip.boot, from_s: from_s - warmUp_s, to_s: latest_s };
  for await (const each of readRing(dataFolder, window, files))
    if (sameGroups(each.header, header)) blocks.push(each.block);
  const ended = endOf(request, header, replay, blocks);
  const kept = blocks.flatMap((block) => cutBlock(block, ended.from_s, ended.to_s) ?? []);
  if (kept.length === 0) return null;
  return contentOf(request, ended, header, kept);
}

/** A line or channel that was changed in between has other columns; scans of another form cannot stand in one trace. */
function sameGroups(a: RingHeader, b: RingHeader): boolean {
  return a === b || JSON.stringify(a.groups) === JSON.stringify(b.groups);
}

/** Lets detection say when the event was over, as it did or would have done live. */
function endOf(
  { trip, next_s }: RebuildRequest,
  header: RingHeader,
  replay: RingReplay,
  blocks: readonly RawBlock[],
): EndedEvent {
  let ended: EndedEvent | null = null;
  let data_s = Number.NEGATIVE_INFINITY;
  const events = new OpenEvents(
    header.config.windows,
    replay.detector,
    () => data_s,
    (event) => {
      ended ??= event;
    },
  );
  const { event: id, source, trip_s, declared_s, anchor } = trip;
  const open = { id, source, trip_s, declared_s, anchor };
  let isOpen = false;
  for (const block of inOrder(blocks)) {
    data_s = Math.max(data_s, replay.take(block));
    if (!isOpen && data_s >= Math.max(trip_s, trip.seen_s)) {
      isOpen = true;
      events.begin(open);
    }
    if (isOpen) events.update(data_s, Number.NEGATIVE_INFINITY);
    if (ended !== null) return ended;
  }
  const { before_s } = header.config.windows;
  const isNext = data_s >= next_s;
  return {
    ...open,
    from_s: trip_s - before_s,
    to_s: isNext ? next_s : Math.max(data_s, trip_s),
    closedBecause: isNext ? 'next-trip' : 'truncated',
  };
}

/** As they came: by the instant of their last scan. */
function inOrder(blocks: readonly RawBlock[]): RawBlock[] {
  const end_s = ({ time_s, scans, interval_s }: RawBlock) => time_s + (scans - 1) * interval_s;
  return [...blocks].sort((a, b) => end_s(a) - end_s(b));
}

function contentOf(
  { trip, next_s, noRecorder, now_ms }: RebuildRequest,
  ended: EndedEvent,
  header: RingHeader,
  blocks: readonly RawBlock[],
): EventContent {
  const { from_s, to_s, closedBecause } = ended;
  const whole_s =
    closedBecause === 'truncated'
      ? Math.min(next_s, trip.trip_s + header.config.windows.withoutSeating_s)
      : to_s;
  const ofGroup = (group: number) => blocks.filter((block) => block.group === group);
  return {
    header: {
      format: 'tripwave-event',
      version: 1,
      id: trip.event,
      software: version,
      boot: trip.boot,
      trip: { source: trip.source, time_s: trip.trip_s, declared_s: trip.declared_s },
      window: { from_s, to_s },
      closedBecause,
      anchor: trip.anchor,
      config: header.config,
      groups: header.groups.map((spec, group) => ({
        ...spec,
        ...completenessOf(ofGroup(group), { from_s, to_s }, spec.nominalInterval_s),
      })),
      lineCounters: {},
      rebuilt: {
        reason: 'The recorder ended before the event was written; made from the disk ring.',
        at_ms: now_ms,
        missing: header.groups.flatMap(({ line, id, nominalInterval_s }, group) =>
          holes(ofGroup(group), from_s, whole_s, nominalInterval_s).map((hole) => ({
            line,
            group: id,
            ...hole,
          })),
        ),
        noRecorder,
      },
    },
    blocks: header.groups.flatMap((_, group) => ofGroup(group)),
  };
}
