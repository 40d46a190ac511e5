/** Makes an event of a past window: from the ring to an ordinary event folder, beside a running recorder or without one. */
import { randomInt } from 'node:crypto';
import type { RawBlock } from '../../drivers/driver.ts';
import { wallAt_ms } from '../clock.ts';
import { DataError } from '../errors.ts';
import { version } from '../version.ts';
import { completenessOf } from './completeness.ts';
import { cutBlock } from './cut-block.ts';
import { type EventContent, EventFolderWrite, eventFolder, eventIdAt, idSuffixes } from './event-folder.ts';
import { disk, type Files, isMissing } from './files.ts';
import type { RingHeader } from './ring-format.ts';
import { listRing, onClockOf, readRing, tallyRing } from './ring-read.ts';

/** Longest window, in ms. */
const longestCapture_ms = 15 * 60_000;
/** Numbers of one event, at most: what its readers take. */
const mostNumbers = 2 ** 25;

/** Half-open, wall clock, ms since 1970. */
export interface CaptureWindow {
  readonly from_ms: number;
  readonly to_ms: number;
}

export interface Captured {
  readonly id: string;
  readonly folder: string;
  readonly scans: number;
  /** Part of the window lies in another run or under another calibration and was left out. */
  readonly isPartial: boolean;
}

/** The last `last_ms` before the newest sample of the ring. Throws `DataError` when the ring holds none. */
export async function newestWindow(
  dataFolder: string,
  last_ms: number,
  files: Files = disk,
): Promise<CaptureWindow> {
  const last = (await listRing(dataFolder, files)).at(-1);
  if (last === undefined) throw new DataError(`${dataFolder}: its ring is empty`);
  const { anchor, boot } = last.header;
  const window = { boot, from_s: anchor.time_s - 60, to_s: Number.POSITIVE_INFINITY };
  const ends_s = (await tallyRing(dataFolder, window, files)).map(({ endTime_s }) => endTime_s);
  if (ends_s.length === 0) throw new DataError(`${last.path}: holds no sample`);
  const to_ms = wallAt_ms(anchor, Math.max(...ends_s));
  return { from_ms: to_ms - last_ms, to_ms };
}

/**
 * Writes the event and returns when it is on the medium. A window that spans a restart or a new calibration gives the
 * part with the most samples. Throws `DataError` for a window that is empty, too long or not in the ring.
 */
export async function captureWindow(
  dataFolder: string,
  window: CaptureWindow,
  files: Files = disk,
): Promise<Captured> {
  const length_ms = window.to_ms - window.from_ms;
  if (!(length_ms > 0 && length_ms <= longestCapture_ms)) {
    throw new DataError(
      `the window is ${length_ms / 1000} s long; up to ${longestCapture_ms / 1000} s are allowed`,
    );
  }
  const parts = new Map<string, { header: RingHeader; blocks: RawBlock[]; numbers: number }>();
  let numbers = 0;
  for await (const { header, block } of readRing(dataFolder, window, files)) {
    const key = JSON.stringify([header.boot, header.config, header.groups]);
    const part = parts.get(key) ?? { header, blocks: [], numbers: 0 };
    parts.set(key, part);
    const { from_s, to_s } = onClockOf(header, window);
    const cut = cutBlock(block, from_s, to_s);
    if (cut === null) continue;
    part.blocks.push(cut);
    part.numbers += cut.raw.length;
    numbers += cut.raw.length;
    if (numbers > mostNumbers)
      throw new DataError('the window has more samples than an event may have; make it shorter');
  }
  const best = [...parts.values()].sort((a, b) => b.numbers - a.numbers)[0];
  if (best === undefined || best.numbers === 0) throw new DataError('the ring has no samples in this window');
  const content = contentOf(best.header, best.blocks, window, await freeId(dataFolder, window, files));
  const write = new EventFolderWrite(dataFolder, content, files);
  await write.write();
  const scans = best.blocks.reduce((sum, block) => sum + block.scans, 0);
  return { id: content.header.id, folder: write.folder, scans, isPartial: best.numbers < numbers };
}

function contentOf(
  header: RingHeader,
  blocks: readonly RawBlock[],
  window: CaptureWindow,
  id: string,
): EventContent {
  const { from_s, to_s } = onClockOf(header, window);
  const middle_s = (from_s + to_s) / 2;
  const groups = header.groups.map((spec, group) => {
    const own = blocks.filter((block) => block.group === group);
    return { ...spec, ...completenessOf(own, { from_s, to_s }, spec.nominalInterval_s) };
  });
  return {
    header: {
      format: 'tripwave-event',
      version: 1,
      id,
      software: version,
      boot: header.boot,
      kept_ms: Date.now(),
      trip: { source: 'window', time_s: middle_s, declared_s: middle_s },
      window: { from_s, to_s },
      closedBecause: 'captured',
      anchor: header.anchor,
      config: header.config,
      groups,
      lineCounters: {},
    },
    // In the order of the recorder's own events: a group after the other.
    blocks: header.groups.flatMap((_, group) => blocks.filter((block) => block.group === group)),
  };
}

/** Named after the middle of the window, as an event is after its trip. */
async function freeId(dataFolder: string, { from_ms, to_ms }: CaptureWindow, files: Files): Promise<string> {
  for (;;) {
    const id = eventIdAt((from_ms + to_ms) / 2, randomInt(idSuffixes));
    try {
      await files.read(`${eventFolder(dataFolder, id)}/event.json`);
    } catch (error) {
      if (isMissing(error)) return id;
      throw error;
    }
  }
}
