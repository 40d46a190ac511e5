/**
 * Watches calibrated blocks for a trip, and after one for seating and rest. Blocks are cut at fixed instants before
 * anything is decided, so that any split of the samples into blocks finds the same trips.
 */

import type { ChannelConfig, RigConfig } from '../../config/rig.ts';
import { type GroupSpec, quality } from '../../drivers/driver.ts';
import type { TripSourceName } from '../store/event-folder.ts';
import { type BinWatch, binsPerSecond } from './bin-watch.ts';
import type { CalibratedBlock } from './calibrate.ts';
import { ContactWatch } from './contact-watch.ts';
import { MeterWatch, PositionWatch } from './flow-watch.ts';
import { LegWatch } from './leg-watch.ts';
import { PressureWatch } from './pressure-watch.ts';

/** Called once per trip: its estimated instant and where it was seen, on the monotonic clock, in s. */
export type OnTrip = (source: TripSourceName, time_s: number, seen_s: number) => void;

/** A contact whose samples are older than this does not speak for the drive, in s. */
const stale_s = 1;
/** Scans at least this far apart are looked at one by one, in s. */
const slow_s = 0.5 / binsPerSecond;
/** No surge is called an event of its own so soon after another event, in s. */
const afterEvent_s = 1;
/** A pump that has come on throws its own waves about for so long, in s. */
const starting_s = 2;
/** A contact may be so much later than the surge of its own trip, in s. */
const sameTrip_s = 0.1;
/** Bits of a sample that says nothing. */
const unusable = quality.suspect | quality.invalid;

interface Group {
  readonly stride: number;
  readonly isSlow: boolean;
  readonly interval_s: number;
  readonly contactColumn: number;
  readonly switchColumn: number;
  readonly columns: readonly number[];
  readonly watches: readonly BinWatch[];
  /** Number of the open bin; -1 before the first block. */
  bin: number;
  due_s: number;
}

export class TripDetector {
  readonly legs: readonly LegWatch[];
  readonly contact: ContactWatch | null = null;
  readonly pressureSwitch: ContactWatch | null = null;
  /** Dead time of the latest channel that is watched, in s: so long after an instant its samples come. */
  readonly latest_s: number;
  private readonly groups: readonly Group[];
  private readonly isKneeWanted: boolean;
  private readonly onTrip: OnTrip;
  private openTrip_s = Number.NaN;
  /** Of the event that is open or was the last. */
  private lastTrip_s = Number.NaN;
  private isSurge = false;
  private closed_s = Number.NEGATIVE_INFINITY;
  /** Up to then a surge is the last trip's own: a valve that slammed may open and slam again seconds later. In s. */
  private aftershocksUntil_s = Number.NEGATIVE_INFINITY;
  private readonly aftershocks_s: number;
  /** Surges that were left out for that; a restless pressure is counted anew as often as it is seen. */
  aftershocksSeen = 0;
  /** Surges left out because the pump had only just come on. */
  startSurgesSeen = 0;

  /** `groups` of all lines; a block is later named by its place in this list. */
  constructor(config: RigConfig, groups: readonly GroupSpec[], onTrip: OnTrip) {
    this.onTrip = onTrip;
    this.isKneeWanted = config.trip.detected;
    this.aftershocks_s = config.windows.withoutSeating_s;
    const intervalOf = (channel: string) =>
      groups.find((group) => group.channels.includes(channel))?.nominalInterval_s ?? 1;
    const { contact, pressureSwitch } = config.trip;
    if (contact !== null) {
      this.contact = new ContactWatch(
        contact,
        intervalOf(contact.channel),
        lateOf_s(config, contact.channel),
      );
    }
    if (pressureSwitch !== null) {
      const { channel } = pressureSwitch;
      this.pressureSwitch = new ContactWatch(pressureSwitch, intervalOf(channel), lateOf_s(config, channel));
    }
    const watches = new Map<string, BinWatch>();
    const areas = meterAreas(config);
    for (const channel of config.channels) {
      const watch = watchOf(channel, config, areas, intervalOf(channel.id));
      if (watch !== null) watches.set(channel.id, watch);
    }
    const watched = [this.contact, this.pressureSwitch, ...watches.values()];
    this.latest_s = Math.max(0, ...watched.map((watch) => watch?.late_s ?? 0));
    this.legs = config.legs.map((leg) => new LegWatch(leg, watches));
    this.groups = groups.map((group) => {
      const columns = group.channels.flatMap((channel, column) => (watches.has(channel) ? [column] : []));
      return {
        stride: group.channels.length,
        isSlow: group.nominalInterval_s >= slow_s,
        interval_s: group.nominalInterval_s,
        contactColumn: contact === null ? -1 : group.channels.indexOf(contact.channel),
        switchColumn: pressureSwitch === null ? -1 : group.channels.indexOf(pressureSwitch.channel),
        columns,
        watches: columns.map((column) => watches.get(group.channels[column]) as BinWatch),
        bin: -1,
        due_s: Number.NEGATIVE_INFINITY,
      };
    });
  }

  /** Takes a calibrated block; may call `onTrip`. */
  take(index: number, block: CalibratedBlock): void {
    const { scans, time_s, interval_s } = block;
    const group = this.groups[index];
    if (time_s - group.due_s > Math.max(0.02, 4 * group.interval_s)) {
      for (const watch of group.watches) watch.reset();
    }
    group.due_s = time_s + scans * interval_s;
    const hasDigitals = group.contactColumn >= 0 || group.switchColumn >= 0;
    for (let first = 0; first < scans; ) {
      const from_s = time_s + first * interval_s;
      if (group.isSlow) {
        if (hasDigitals) this.takeDigitals(group, block, first, first + 1);
        this.gather(group, block, first, first + 1);
        this.finish(group, from_s);
        first++;
        continue;
      }
      // Instants are taken a quarter of a scan later, so that rounding cannot move a scan on an edge to the other side.
      const shift_s = interval_s / 4;
      const bin = Math.max(group.bin, Math.floor((from_s + shift_s) * binsPerSecond));
      if (bin > group.bin && group.bin >= 0) this.finish(group, (group.bin + 1) / binsPerSecond);
      const limit_s = (bin + 1) / binsPerSecond;
      const left = interval_s > 0 ? Math.ceil((limit_s - shift_s - time_s) / interval_s) : scans;
      const end = Math.min(scans, Math.max(first + 1, left));
      if (hasDigitals) this.takeDigitals(group, block, first, end);
      this.gather(group, block, first, end);
      const isFull = time_s + end * interval_s + shift_s >= limit_s;
      group.bin = isFull ? bin + 1 : bin;
      if (isFull) this.finish(group, limit_s);
      first = end;
    }
  }

  /** The event round the trip at `trip_s` is open: its own pressure waves and late edges are no further trips. */
  openEvent(trip_s: number, source: TripSourceName): void {
    this.openTrip_s = trip_s;
    this.lastTrip_s = trip_s;
    this.isSurge = source === 'surge';
    if (!this.isSurge) this.aftershocksUntil_s = trip_s + this.aftershocks_s;
    for (const leg of this.legs) leg.openEvent(trip_s);
  }

  closeEvent(now_s: number): void {
    this.openTrip_s = Number.NaN;
    this.closed_s = now_s;
    for (const leg of this.legs) leg.closeEvent();
  }

  /** Seating of the last leg that flowed, in s; NaN while one is open or none has moved. */
  get seated_s(): number {
    let last_s = Number.NaN;
    for (const leg of this.legs) {
      if (!leg.isActive) continue;
      const leg_s = leg.seated_s;
      if (Number.isNaN(leg_s)) return Number.NaN;
      if (!(leg_s <= last_s)) last_s = leg_s;
    }
    return last_s;
  }

  /** When the last leg that flowed had come to rest, in s; NaN until then. */
  get settled_s(): number {
    let last_s = Number.NaN;
    for (const leg of this.legs) {
      if (!leg.isActive) continue;
      const leg_s = leg.settled_s;
      if (Number.isNaN(leg_s)) return Number.NaN;
      if (!(leg_s <= last_s)) last_s = leg_s;
    }
    return last_s;
  }

  /** True, false, or null when nothing tells whether the pump runs. */
  get isDriveOn(): boolean | null {
    if (this.contact !== null) return this.contact.isRunning;
    const meters = this.legs.flatMap((leg) => (leg.meter === null ? [] : [leg.meter]));
    if (meters.length === 0) return null;
    return meters.some((meter) => meter.velocity_mps > 0.1);
  }

  private takeDigitals(group: Group, block: CalibratedBlock, first: number, end: number): void {
    const { values, time_s, interval_s, quality: bits } = block;
    const { stride, contactColumn, switchColumn } = group;
    const { contact, pressureSwitch } = this;
    for (let i = first, k = first * stride; i < end; i++, k += stride) {
      if ((bits[i] & unusable) !== 0) continue;
      const at_s = time_s + i * interval_s;
      if (contactColumn >= 0 && contact?.take(values[k + contactColumn], at_s))
        this.contactEdge(contact, at_s);
      if (switchColumn >= 0 && pressureSwitch?.take(values[k + switchColumn], at_s)) {
        this.switchEdge(pressureSwitch, at_s);
      }
    }
  }

  private gather(group: Group, block: CalibratedBlock, first: number, end: number): void {
    const { values, quality: bits } = block;
    const { watches, columns, stride } = group;
    let bad = 0;
    for (let i = first; i < end; i++) bad |= bits[i];
    if ((bad & unusable) === 0) {
      for (let w = 0; w < watches.length; w++) watches[w].gather(values, columns[w], stride, first, end);
      return;
    }
    for (let i = first; i < end; i++) {
      if ((bits[i] & unusable) !== 0) continue;
      for (let w = 0; w < watches.length; w++) watches[w].gather(values, columns[w], stride, i, i + 1);
    }
  }

  private finish(group: Group, end_s: number): void {
    const { watches } = group;
    for (let w = 0; w < watches.length; w++) {
      const watch = watches[w];
      watch.finish(end_s);
      if (!(watch instanceof PressureWatch)) continue;
      if (!Number.isNaN(watch.knee_s)) this.knee(watch, end_s);
      if (!Number.isNaN(watch.surge_s)) this.surge(watch, end_s);
    }
  }

  private contactEdge(watch: ContactWatch, seen_s: number): void {
    const isNew = this.isNewTrip(watch);
    watch.disarm();
    if (isNew) this.onTrip('contact', watch.trip_s, seen_s);
  }

  private switchEdge(watch: ContactWatch, seen_s: number): void {
    // A slam may throw the switch long after the pump has stopped.
    const isDriven = !this.isContactFresh(seen_s) || this.contact?.isRunning !== false;
    const isNew = this.isNewTrip(watch) && isDriven;
    watch.disarm();
    if (isNew) this.onTrip('pressure-switch', watch.trip_s, seen_s);
  }

  /**
   * Inside an event only a source that has been seen running again can tell of another trip; or any source, when what opened
   * the event was a surge that cannot have been this trip's. A late source may show its edge when the event is over.
   */
  private isNewTrip(watch: ContactWatch): boolean {
    const isInside = !Number.isNaN(this.openTrip_s) || watch.opened_s < this.closed_s;
    if (!isInside || watch.armedSince_s - watch.late_s > this.lastTrip_s) return true;
    return this.isSurge && watch.opened_s > this.lastTrip_s + sameTrip_s;
  }

  private isContactFresh(now_s: number): boolean {
    return this.contact !== null && now_s - this.contact.last_s < stale_s;
  }

  private isStarting(now_s: number): boolean {
    return this.contact?.isRunning === true && now_s - this.contact.runningSince_s < starting_s;
  }

  private knee(watch: PressureWatch, seen_s: number): void {
    if (!this.isKneeWanted || this.isContactFresh(seen_s)) return;
    const leg = this.legs.find((each) => each.outlet === watch);
    if (leg?.couldTrip(seen_s) !== true) return;
    this.onTrip('pressure-knee', watch.knee_s, seen_s);
  }

  private surge(watch: PressureWatch, seen_s: number): void {
    if (!Number.isNaN(this.openTrip_s) || seen_s < this.closed_s + afterEvent_s) return;
    if (seen_s < this.aftershocksUntil_s && this.isDriveOn !== true) {
      this.aftershocksSeen++;
      return;
    }
    if (this.isContactFresh(seen_s) && this.isStarting(seen_s)) {
      this.startSurgesSeen++;
      return;
    }
    this.onTrip('surge', watch.surge_s, seen_s);
  }
}

/** Middle of a channel's dead time, in s. */
function lateOf_s(config: RigConfig, id: string): number {
  const delay_s = config.channels.find((channel) => channel.id === id)?.delay_s;
  return delay_s === undefined ? 0 : (delay_s[0] + delay_s[1]) / 2;
}

function meterAreas(config: RigConfig): Map<string, number> {
  const areas = new Map<string, number>();
  const quantities = new Map(config.channels.map((channel) => [channel.id, channel.quantity]));
  for (const leg of config.legs) {
    if (leg.meter === null) continue;
    const isFlow = quantities.get(leg.meter.channel) === 'flow';
    areas.set(leg.meter.channel, isFlow ? (Math.PI / 4) * leg.bore_m ** 2 : 1);
  }
  return areas;
}

function watchOf(
  channel: ChannelConfig,
  config: RigConfig,
  areas: ReadonlyMap<string, number>,
  interval_s: number,
): BinWatch | null {
  const late_s = lateOf_s(config, channel.id);
  const leg = config.legs.find((each) => each.outlet.channel === channel.id);
  if (leg !== undefined) {
    const columnMass_kgpm2 = config.liquid.density_kgpm3 * (leg.length_m - leg.outlet.distance_m);
    return new PressureWatch(interval_s, columnMass_kgpm2, 1 / binsPerSecond, late_s);
  }
  const area_m2 = areas.get(channel.id);
  if (area_m2 !== undefined) return new MeterWatch(area_m2, late_s);
  return config.legs.some((each) => each.position === channel.id) ? new PositionWatch(late_s) : null;
}
