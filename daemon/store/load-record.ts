/** From an event folder to what the analysis reads: calibrated, SI, one series a channel. */
import { join } from 'node:path';
import type { ChannelConfig, LegConfig, RigConfig } from '../../config/rig.ts';
import type { GroupSpec, RawBlock } from '../../drivers/driver.ts';
import type { EventRecord, LegRecord, Series } from '../analysis/record.ts';
import { DataError } from '../errors.ts';
import { dividedCalibration } from '../instruments/channel-calibration.ts';
import { withLoopQuality } from '../instruments/loop-quality.ts';
import { ofInterval, together } from '../statistics/uncertainty.ts';
import { type EventHeader, readEventHeader } from './event-folder.ts';
import { disk, type Files, messageOf } from './files.ts';
import { checkRecordedConfig } from './recorded-config.ts';
import { decodeTrace, type TraceDamage } from './trace.ts';

export interface LoadedEvent {
  readonly header: EventHeader;
  readonly record: EventRecord;
  /** Every recorded channel by id, as measured: a flow channel is still in m3/s here. */
  readonly series: ReadonlyMap<string, Series>;
  /** Parts of trace.bin that could not be read; their scans count as lost. Empty for a whole file. */
  readonly damage: readonly TraceDamage[];
}

/** Reads a whole folder. Throws `DataError` when its header or the head of its trace cannot be read. */
export async function loadEvent(folder: string, files: Files = disk): Promise<LoadedEvent> {
  const header = await readEventHeader(folder, files);
  checkRecordedConfig(header.config, join(folder, 'event.json'));
  const path = join(folder, 'trace.bin');
  let bytes: Uint8Array;
  try {
    bytes = await files.read(path);
  } catch (error) {
    throw new DataError(`${path} cannot be read: ${messageOf(error)}`, {
      cause: error,
    });
  }
  const trace = decodeTrace(bytes, path);
  const series = seriesOf(header, trace.header.groups, trace.blocks);
  return { header, record: recordOf(header, series), series, damage: trace.damage };
}

/** One line for each part of a trace that could not be read. */
export function warnOfDamage(
  folder: string,
  damage: readonly TraceDamage[],
  warn: (line: string) => void,
): void {
  for (const { offset, why } of damage) {
    warn(`${join(folder, 'trace.bin')}: damaged at byte ${offset}: ${why}; the scans there count as lost`);
  }
}

/** Calibrates blocks to series by the header's configuration. A configured channel without data has an empty series. */
export function seriesOf(
  header: Pick<EventHeader, 'config'>,
  groups: readonly GroupSpec[],
  blocks: readonly RawBlock[],
): Map<string, Series> {
  const series = new Map<string, Series>();
  const channels = new Map(header.config.channels.map((channel) => [channel.id, channel]));
  groups.forEach((group, index) => {
    const own = blocks.filter((block) => block.group === index);
    const { time_s, quality, halfWidth_s, lost } = timesOf(own);
    group.channels.forEach((id, column) => {
      const channel = channels.get(id);
      if (channel === undefined) return;
      const value = columnOf(own, column, group.channels.length, time_s.length, channel);
      const bits =
        channel.currentLoop === undefined
          ? quality
          : withLoopQuality({ quality, time_s, value, channel, loop: channel.currentLoop });
      series.set(id, { channel, time_s, value, quality: bits, halfWidth_s, lost });
    });
  });
  for (const channel of header.config.channels) {
    if (!series.has(channel.id)) series.set(channel.id, emptySeries(channel));
  }
  return series;
}

function emptySeries(channel: ChannelConfig): Series {
  const none = new Float64Array(0);
  return { channel, time_s: none, value: none, quality: new Uint8Array(0), halfWidth_s: 0, lost: 0 };
}

/** What all channels of a group share. Scans missing between blocks are counted from the scan numbers. */
function timesOf(blocks: readonly RawBlock[]) {
  const total = blocks.reduce((sum, block) => sum + block.scans, 0);
  const time_s = new Float64Array(total);
  const quality = new Uint8Array(total);
  let halfWidth_s = 0;
  let lost = 0;
  let at = 0;
  let next = -1;
  for (const block of blocks) {
    lost += next < 0 ? block.lostBefore : Math.max(block.lostBefore, block.scan - next);
    next = block.scan + block.scans;
    halfWidth_s = Math.max(halfWidth_s, block.halfWidth_s);
    quality.set(block.quality, at);
    for (let i = 0; i < block.scans; i++) time_s[at++] = block.time_s + i * block.interval_s;
  }
  return { time_s, quality, halfWidth_s, lost };
}

function columnOf(
  blocks: readonly RawBlock[],
  column: number,
  stride: number,
  total: number,
  channel: ChannelConfig,
): Float64Array {
  const value = new Float64Array(total);
  const { scale, offset } = channel;
  let at = 0;
  for (const { raw, scans } of blocks) {
    for (let i = 0, k = column; i < scans; i++, k += stride) value[at++] = raw[k] * scale + offset;
  }
  return value;
}

/** Longest record that is judged as one, in s: a day. Windows are minutes; anything longer has a wild time in it. */
const longest_s = 86_400;

/** Throws `DataError`, with the instants on both sides of the widest gap, for series that no single event has. */
function refuseWildTimes(id: string, series: ReadonlyMap<string, Series>): void {
  for (const { channel, time_s } of series.values()) {
    const span_s = time_s.length === 0 ? 0 : time_s.at(-1)! - time_s[0]!;
    if (span_s >= 0 && span_s <= longest_s) continue;
    let widest = 1;
    for (let i = 2; i < time_s.length; i++) {
      if (!(time_s[i]! - time_s[i - 1]! <= time_s[widest]! - time_s[widest - 1]!)) widest = i;
    }
    throw new DataError(
      `${id}: the times of ${channel.id} go from ${time_s[widest - 1]} s to ${time_s[widest]} s in one step; ` +
        `a record of at most ${longest_s} s in rising order can be judged, so cut the trip out`,
    );
  }
}

/** Sorts the series by what they mean at the rig. Throws `DataError` for a record longer than a day. */
export function recordOf(
  header: { readonly id: string; readonly config: Omit<RigConfig, 'server' | 'publish'> },
  series: ReadonlyMap<string, Series>,
): EventRecord {
  const { config, id } = header;
  refuseWildTimes(id, series);
  const find = (channel: string | null | undefined) =>
    channel == null ? null : (series.get(channel) ?? null);
  return {
    id,
    legs: config.legs.map((leg) => legRecord(leg, find)),
    tank: find(config.trip.tank?.channel),
    tankAir: config.trip.tank?.air ?? null,
    contact: find(config.trip.contact?.channel),
    pressureSwitch: find(config.trip.pressureSwitch?.channel),
    trip: config.trip,
    liquid: config.liquid,
    atmosphere_PaAbs: config.atmosphere_PaAbs,
    severity: config.severity,
    ...(config.definitions === undefined ? {} : { definitions: config.definitions }),
  };
}

function legRecord(leg: LegConfig, find: (channel: string | null | undefined) => Series | null): LegRecord {
  const outlet = find(leg.outlet.channel);
  if (outlet === null) {
    throw new DataError(
      `leg ${leg.id}: its outlet channel "${leg.outlet.channel}" is not among the channels`,
    );
  }
  const meter = find(leg.meter?.channel);
  return {
    leg,
    outlet,
    inlet: find(leg.inlet?.channel),
    mid: find(leg.mid?.channel),
    meter: meter === null ? null : asVelocity(meter, leg),
    position: find(leg.position),
  };
}

/**
 * Flow over bore area; a velocity meter as it is. The channel's own numbers are scaled along, so that they agree; the doubt
 * about the bore counts twice, as the area's, and is one of scale.
 */
export function asVelocity(series: Series, { bore_m, boreHalfWidth_m = 0 }: LegConfig): Series {
  const { channel } = series;
  if (channel.quantity !== 'flow') return series;
  const area_m2 = (Math.PI / 4) * bore_m ** 2;
  return {
    ...series,
    value: series.value.map((flow_m3ps) => flow_m3ps / area_m2),
    channel: {
      ...channel,
      quantity: 'velocity',
      unit: 'm/s',
      scale: channel.scale / area_m2,
      offset: channel.offset / area_m2,
      range: [channel.range[0] / area_m2, channel.range[1] / area_m2],
      uncertainty: {
        absolute: channel.uncertainty.absolute / area_m2,
        relative: together(channel.uncertainty.relative, (2 * ofInterval(boreHalfWidth_m)) / bore_m),
      },
      ...(channel.calibration === undefined
        ? {}
        : { calibration: dividedCalibration(channel.calibration, area_m2) }),
    },
  };
}
