/**
 * Every trip of a rig whose recorder was killed round each of them has an event with a verdict, or a named gap that the absence of
 * its recorder explains. The truth is the rig's own, the absence is the runner's: neither comes from the recorder.
 */
import { readdirSync } from 'node:fs';
import {
  type EventHeader,
  eventFolder,
  listEvents,
  readEventHeader,
} from '../../daemon/store/event-folder.ts';
import { disk } from '../../daemon/store/files.ts';
import { type DownTime, type RecorderGap, readGaps } from '../../daemon/store/gap-ledger.ts';

/** A life of a recorder, on the monotonic clock, in s. */
export interface Life {
  /** When its first block came; null when it was killed before. */
  first_s: number | null;
  killed_s: number | null;
}

export interface TripTruth {
  /** Instants at which the pump stopped, by the rig, monotonic s. */
  readonly stops_s: readonly number[];
  /** What recorders said that they declared. */
  readonly declared: ReadonlyMap<string, { readonly source: string; readonly time_s: number }>;
  readonly lives: readonly Life[];
  /** Wall clock at monotonic 0, in ms. */
  readonly epoch_ms: number;
}

export interface TripAudit {
  readonly stops: number;
  /** Stops with an event of their own, how many of these were rebuilt, and how many of those lack samples. */
  readonly events: number;
  readonly rebuilt: number;
  readonly rebuiltWithHoles: number;
  /** Largest distance of an event's trip from its stop, in s: more than a few ms where the samples of the stop are missing. */
  readonly mostOff_s: number;
  /** Stops that a time without a recorder explains, and declared trips that are named as lost. */
  readonly inGaps: number;
  readonly lost: number;
  /** Events of surges: the ringing of a stop that fell into a gap. */
  readonly surges: number;
  readonly declared: number;
  readonly downTimes: number;
  readonly failures: readonly string[];
}

/** A record's trip is so near to the rig's stop, in s. */
const near_s = 0.3;
/** The pump stands for so long after each stop, in s. */
const standing_s = 3;
/** The disk ring is behind by so much when its recorder is killed, in s: the commit of each 0.7 s and the sync itself, on a busy disk. */
const behind_s = 2;
/** A recorder is ready to declare trips so long after its first block, in s. */
const ready_s = 2;
/** Clocks of wall and rig agree so well, in ms. */
const clock_ms = 50;

export async function auditTrips(dataFolder: string, truth: TripTruth): Promise<TripAudit> {
  const failures: string[] = [];
  const headers: EventHeader[] = [];
  for (const id of await listEvents(dataFolder)) {
    headers.push(await readEventHeader(eventFolder(dataFolder, id)));
    if (!readdirSync(eventFolder(dataFolder, id)).some((name) => /^verdict-\d+\.json$/.test(name)))
      failures.push(`${id}: no verdict`);
  }
  const gaps = await readGaps(dataFolder, disk);
  let off_s = 0;
  const stops = { events: 0, rebuilt: 0, rebuiltWithHoles: 0, inGaps: 0, lost: 0 };
  for (const stop_s of truth.stops_s) {
    const own = headers.filter((header) => isOf(header, stop_s));
    if (own.length > 1)
      failures.push(`stop at ${stop_s}: ${own.length} events: ${own.map(({ id }) => id).join(', ')}`);
    const [event] = own;
    if (event !== undefined) {
      stops.events++;
      off_s = Math.max(off_s, Math.abs(event.trip.time_s - stop_s));
      if (event.rebuilt !== undefined) stops.rebuilt++;
      if ((event.rebuilt?.missing.length ?? 0) > 0) stops.rebuiltWithHoles++;
      continue;
    }
    const gap = gapOf(stop_s, gaps, truth);
    if (gap === null) failures.push(`stop at ${stop_s}: no event and no gap that explains it`);
    else if (gap.kind === 'trip-lost') stops.lost++;
    else stops.inGaps++;
  }
  failures.push(...undeclared(headers, gaps, truth));
  return {
    stops: truth.stops_s.length,
    ...stops,
    mostOff_s: Math.round(1000 * off_s) / 1000,
    surges: headers.filter(({ trip }) => trip.source === 'surge').length,
    declared: truth.declared.size,
    downTimes: gaps.filter(({ kind }) => kind === 'no-recorder').length,
    failures,
  };
}

/** The same stop: as near, or as late as samples are missing in the record, for then its edge was seen behind the hole. */
function isOf({ trip, groups }: EventHeader, stop_s: number): boolean {
  const late_s = trip.time_s - stop_s;
  const missing_s = Math.max(
    ...groups.map(({ scansLost, nominalInterval_s }) => scansLost * nominalInterval_s),
  );
  return trip.source === 'contact' && late_s > -near_s && late_s < near_s + Math.min(missing_s, standing_s);
}

/**
 * Every declaration has its event, under this id or as the same trip under another, is named as lost, or was made so shortly
 * before the kill that neither it nor its samples were on the disk: then it lies in a gap.
 */
function undeclared(
  headers: readonly EventHeader[],
  gaps: readonly RecorderGap[],
  truth: TripTruth,
): string[] {
  const { declared } = truth;
  const lost = new Set(gaps.flatMap((gap) => (gap.kind === 'trip-lost' ? [gap.event] : [])));
  return [...declared].flatMap(([event, { source, time_s }]) => {
    const isThere = headers.some(
      ({ id, trip }) => id === event || (trip.source === source && Math.abs(trip.time_s - time_s) < 1e-6),
    );
    if (isThere || lost.has(event) || gapOf(time_s, gaps, truth) !== null) return [];
    return [`${event} (${source}): declared, no event and no gap that explains it`];
  });
}

function gapOf(stop_s: number, gaps: readonly RecorderGap[], truth: TripTruth): RecorderGap | null {
  const stop_ms = truth.epoch_ms + 1000 * stop_s;
  for (const gap of gaps) {
    if (gap.kind === 'trip-lost') {
      if (Math.abs(gap.at_ms - stop_ms) < 1000 * near_s) return gap;
    } else if (
      gap.from_ms - clock_ms <= stop_ms &&
      stop_ms <= gap.to_ms + clock_ms &&
      isExplained(gap, truth)
    )
      return gap;
  }
  return null;
}

/** No longer than the recorder was really away, or it could explain anything. */
function isExplained(gap: DownTime, { lives, epoch_ms }: TripTruth): boolean {
  const from_s = (gap.from_ms - epoch_ms) / 1000;
  const to_s = (gap.to_ms - epoch_ms) / 1000;
  return lives.some(({ killed_s }, at) => {
    if (killed_s === null) return false;
    // A life that was killed before its first block, or before its first commit, belongs to the absence.
    const back = lives.slice(at + 1).filter(({ first_s }) => first_s !== null);
    return (
      from_s > killed_s - behind_s &&
      back.some(({ first_s }, n) => n <= 1 && to_s < (first_s ?? 0) + ready_s && to_s > killed_s)
    );
  });
}
