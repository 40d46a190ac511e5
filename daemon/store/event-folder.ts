/**
 * The event folder: the contract between the recorder, which writes it once, and everyone who reads it.
 *
 *   <dataFolder>/events/2026/11/<id>/trace.bin      raw numbers (see trace.ts)
 *                                    event.json      EventHeader
 *                                    verdict-1.json  Verdict, later revisions beside it
 *
 * A folder is written as `<id>.tmp-<pid>`, synced, renamed; a verdict as `<id>.verdict-1.json.tmp-<pid>-<random>` beside the folder, so
 * that a look at the months finds what is unfinished. A name without `.tmp-` is whole.
 */
import { basename, dirname, join } from 'node:path';
import type { RigConfig } from '../../config/rig.ts';
import type { Counters, GroupSpec, RawBlock } from '../../drivers/driver.ts';
import type { WallAnchor } from '../clock.ts';
import { DataError } from '../errors.ts';
import { disk, type Files, messageOf, writeWhole } from './files.ts';
import { encodeTrace } from './trace.ts';
import type { TraceHeader } from './trace-header.ts';

/** `window`: nobody declared a trip; a person cut the record out of the ring. */
export type TripSourceName = 'contact' | 'pressure-switch' | 'pressure-knee' | 'surge' | 'window';

export interface EventHeader {
  readonly format: 'tripwave-event';
  readonly version: 1;
  readonly id: string;
  readonly software: string;
  readonly boot: string;
  readonly trip: {
    readonly source: TripSourceName;
    /** Monotonic s. */
    readonly time_s: number;
    readonly declared_s: number;
  };
  /** When a person kept this window, since 1970; absent for an event of the recorder. */
  readonly kept_ms?: number;
  /** Record window on the monotonic clock, in s. */
  readonly window: { readonly from_s: number; readonly to_s: number };
  readonly closedBecause: 'settled' | 'after-seating' | 'no-seating' | 'next-trip' | 'truncated' | 'captured';
  readonly anchor: WallAnchor;
  /** Set by the reader where the file has no usable anchor: the trip then stands at the second of the id. */
  readonly isAnchorFromId?: true;
  /** The rig as configured at the time: channels, calibrations, legs, thresholds. */
  readonly config: RigConfig;
  readonly groups: readonly EventGroup[];
  readonly lineCounters: Readonly<Record<string, Counters>>;
  /** Present when the run that declared the trip ended before the event was written: made from the disk ring afterwards. */
  readonly rebuilt?: Rebuilt;
}

/** How a rebuilt event came about, and what it lacks. */
export interface Rebuilt {
  /** One sentence. */
  readonly reason: string;
  /** Since 1970. */
  readonly at_ms: number;
  /** Samples that a whole record would hold, per group of each line, on the monotonic clock of the record, in s. */
  readonly missing: readonly {
    readonly line: string;
    readonly group: string;
    readonly from_s: number;
    readonly to_s: number;
  }[];
  /** The time without a recorder after the trip, wall clock, ms since 1970; null where it is not known. */
  readonly noRecorder: { readonly from_ms: number; readonly to_ms: number } | null;
}

/** One group of one line and how complete it is in the window. */
export interface EventGroup extends GroupSpec {
  readonly line: string;
  readonly scans: number;
  readonly scansLost: number;
  /** Where scans of all its channels are missing, in s on the monotonic clock; absent where none is, and in older records. */
  readonly missing?: readonly { readonly from_s: number; readonly to_s: number }[];
}

/** Where an event lies: `2026/11/<id>` under the events folder, by the UTC month in its id. */
export function eventFolder(dataFolder: string, id: string): string {
  if (!isEventId(id)) throw new DataError(`"${id}" is no event id; one looks like 20261125T105912Z-A3F`);
  return join(dataFolder, 'events', id.slice(0, 4), id.slice(4, 6), id);
}

/** A message about files of an event without the folder that they lie in: pages and receivers outside read it. */
export function withoutPlace(message: string, folder: string): string {
  return message.replaceAll(`${folder}/`, '').replaceAll(`${dirname(folder)}/`, '');
}

/** True for names such as `20261125T105912Z-A3F`: UTC second of the trip and a short suffix. */
export function isEventId(name: string): boolean {
  return /^\d{8}T\d{6}Z-[0-9A-Z]{3}$/.test(name);
}

/** True for the folder of an event that is being written, or was when its writer died. */
function isUnfinishedEvent(name: string): boolean {
  const [id, pid] = name.split('.tmp-');
  return isEventId(id!) && pid !== undefined;
}

/** So many suffixes has a second. */
export const idSuffixes = 36 ** 3;

/** The id of an instant, in ms since 1970; suffixes are counted from 0 and begin anew after the last. */
export function eventIdAt(wall_ms: number, suffix: number): string {
  const second = new Date(wall_ms).toISOString().replace(/[-:]|\.\d+/g, '');
  return `${second}-${(suffix % idSuffixes).toString(36).toUpperCase().padStart(3, '0')}`;
}

/** The same second with the next suffix. */
export function nextEventId(id: string): string {
  return eventIdAt(wallOfId_ms(id), Number.parseInt(id.slice(-3), 36) + 1);
}

/** The UTC second of an id, in ms since 1970. */
export function wallOfId_ms(id: string): number {
  const part = (from: number, to: number) => Number(id.slice(from, to));
  return Date.UTC(part(0, 4), part(4, 6) - 1, part(6, 8), part(9, 11), part(11, 13), part(13, 15));
}

/** What a folder is written from. `blocks` are raw, groups by index of `header.groups`. */
export interface EventContent {
  readonly header: EventHeader;
  readonly blocks: readonly RawBlock[];
}

/**
 * Writes one event. When `write` has resolved, the folder lies under its final name and survives a power cut.
 * A rejected `write` may be called again, also after the rename: it goes on where it failed.
 */
export class EventFolderWrite {
  readonly folder: string;
  private readonly dataFolder: string;
  private readonly content: EventContent;
  private readonly files: Files;
  private isRenamed = false;

  constructor(dataFolder: string, content: EventContent, files: Files) {
    this.dataFolder = dataFolder;
    this.content = content;
    this.files = files;
    this.folder = eventFolder(dataFolder, content.header.id);
  }

  async write(): Promise<void> {
    const { files, folder } = this;
    if (!this.isRenamed) {
      const temporary = `${folder}.tmp-${process.pid}`;
      await files.makeFolder(temporary);
      const { header, blocks } = this.content;
      await writeWhole(files, join(temporary, 'trace.bin'), encodeTrace(traceHeaderOf(header), blocks));
      await writeWhole(files, join(temporary, 'event.json'), [
        Buffer.from(`${JSON.stringify(header, null, 1)}\n`),
      ]);
      await files.syncFolder(temporary);
      await files.rename(temporary, folder);
      this.isRenamed = true;
    }
    await keepEventName(this.dataFolder, folder, files);
  }
}

/** Makes the name of a whole folder last: the month and the year may be new as well. */
export async function keepEventName(dataFolder: string, folder: string, files: Files): Promise<void> {
  const month = dirname(folder);
  await files.syncFolder(month);
  await files.syncFolder(dirname(month));
  await files.syncFolder(join(dataFolder, 'events'));
  await files.syncFolder(dataFolder);
}

function traceHeaderOf(header: EventHeader): TraceHeader {
  return {
    format: 'tripwave-trace',
    version: 1,
    groups: header.groups.map(({ line, id, channels, encoding, nominalInterval_s }) => ({
      line,
      id,
      channels,
      encoding,
      nominalInterval_s,
    })),
    channels: header.config.channels.map(({ id, unit, scale, offset }) => ({ id, unit, scale, offset })),
  };
}

/** Reads `event.json`; throws `DataError` when it is not one. */
export async function readEventHeader(folder: string, files: Files = disk): Promise<EventHeader> {
  const path = join(folder, 'event.json');
  let text: string;
  try {
    text = Buffer.from(await files.read(path)).toString('utf8');
  } catch (error) {
    throw new DataError(`${path} cannot be read: ${messageOf(error)}`, { cause: error });
  }
  let header: EventHeader;
  try {
    header = JSON.parse(text);
  } catch (error) {
    throw new DataError(`${path} is no JSON: ${messageOf(error)}`, { cause: error });
  }
  if (header?.format !== 'tripwave-event') {
    throw new DataError(
      `${path}: "format" is ${JSON.stringify(header?.format)}, an event says "tripwave-event"`,
    );
  }
  if (header.version !== 1) {
    throw new DataError(`${path}: event version ${String(header.version)}; this software reads version 1`);
  }
  if (typeof header.id !== 'string' || !isEventId(header.id)) {
    throw new DataError(
      `${path}: id is ${JSON.stringify(header.id)}; one such as 20261125T105912Z-A3F is needed`,
    );
  }
  mustHoldWindow(header, path);
  return isUsable(header.anchor) ? header : { ...header, ...anchorOfId(header, basename(folder)) };
}

/** Without these nothing can be read or judged. */
function mustHoldWindow({ trip, window, config, groups }: Partial<EventHeader>, path: string): void {
  for (const [name, value] of [
    ['trip.time_s', trip?.time_s],
    ['window.from_s', window?.from_s],
    ['window.to_s', window?.to_s],
  ] as const) {
    if (!Number.isFinite(value))
      throw new DataError(`${path}: ${name} is ${JSON.stringify(value)}; a number of seconds is needed`);
  }
  for (const [name, value] of [
    ['config.channels', config?.channels],
    ['config.legs', config?.legs],
    ['groups', groups],
  ] as const) {
    if (!Array.isArray(value)) throw new DataError(`${path}: ${name} is no list`);
  }
}

/** What a wall clock may say, in ms since 1970: up to the last date of four digits. */
const lastDate_ms = Date.UTC(9999, 11, 31);

function isUsable(anchor: Partial<WallAnchor> | undefined): boolean {
  const { time_s, wall_ms } = anchor ?? {};
  if (!Number.isFinite(time_s) || typeof wall_ms !== 'number') return false;
  return wall_ms >= 0 && wall_ms < lastDate_ms;
}

function anchorOfId(header: EventHeader, id: string): Pick<EventHeader, 'anchor' | 'isAnchorFromId'> {
  const wall_ms = wallOfId_ms(isEventId(id) ? id : header.id);
  return { anchor: { time_s: header.trip.time_s, wall_ms }, isAnchorFromId: true };
}

/** Ids of the whole folders, oldest first. Left-over temporary folders are not among them. */
export async function listEvents(dataFolder: string, files: Files = disk): Promise<string[]> {
  const ids: string[] = [];
  for (const { names } of await eventMonths(dataFolder, files)) ids.push(...names.filter(isEventId));
  return ids.sort();
}

/**
 * Moves what an interrupted recorder left behind into `<dataFolder>/torn`, where a person may look at it, and
 * returns the new paths. Only to be called while no recorder writes into this data folder.
 */
export async function setTornAside(dataFolder: string, files: Files = disk): Promise<string[]> {
  const moved: string[] = [];
  const torn = join(dataFolder, 'torn');
  for (const { folder, names } of await eventMonths(dataFolder, files)) {
    for (const name of names.filter(isUnfinishedEvent)) {
      await files.makeFolder(torn);
      const taken = new Set(await files.list(torn));
      let target = name;
      for (let n = 2; taken.has(target); n++) target = `${name}-${n}`;
      await files.rename(join(folder, name), join(torn, target));
      moved.push(join(torn, target));
    }
  }
  return moved;
}

/** Every month of events that is there, oldest first, and all names in it. */
export async function eventMonths(
  dataFolder: string,
  files: Files,
): Promise<{ folder: string; names: string[] }[]> {
  const found: { folder: string; names: string[] }[] = [];
  const events = join(dataFolder, 'events');
  for (const year of (await files.list(events)).filter((name) => /^\d{4}$/.test(name)).sort()) {
    for (const month of (await files.list(join(events, year))).filter((name) => /^\d\d$/.test(name)).sort()) {
      const folder = join(events, year, month);
      found.push({ folder, names: await files.list(folder) });
    }
  }
  return found;
}
