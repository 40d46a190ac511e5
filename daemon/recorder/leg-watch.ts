/** One leg while an event is open: did it flow, has its valve seated, is it quiet again. */
import type { LegConfig } from '../../config/rig.ts';
import type { BinWatch } from './bin-watch.ts';
import { MeterWatch, PositionWatch } from './flow-watch.ts';
import { PressureWatch } from './pressure-watch.ts';

/** A meter that has stood still so long tells that the valve is shut, in s: longer than any stop between two reversals. */
const rest_s = 0.5;
/** A meter speaks for the last so many s of what it has shown. */
const memory_s = 1;

/** How old the newest reading of a meter may be; a late one is always as old as it is late. In s. */
function memoryOf_s(meter: MeterWatch): number {
  return memory_s + meter.late_s;
}

export class LegWatch {
  readonly outlet: PressureWatch;
  readonly meter: MeterWatch | null;
  private readonly position: PositionWatch | null;
  private trip_s = Number.NaN;
  private hasMeter = false;
  private wasFlowing = false;

  /** `watches` by channel id. */
  constructor(leg: LegConfig, watches: ReadonlyMap<string, BinWatch>) {
    const outlet = watches.get(leg.outlet.channel);
    if (!(outlet instanceof PressureWatch)) {
      throw new TypeError(`leg ${leg.id}: no channel "${leg.outlet.channel}" for its outlet pressure`);
    }
    this.outlet = outlet;
    const meter = leg.meter === null ? undefined : watches.get(leg.meter.channel);
    this.meter = meter instanceof MeterWatch ? meter : null;
    const position = leg.position === null ? undefined : watches.get(leg.position);
    this.position = position instanceof PositionWatch ? position : null;
  }

  /** False when the meter says that nothing flows: then a fall of pressure is no trip. */
  couldTrip(now_s: number): boolean {
    const { meter } = this;
    if (meter === null) return true;
    const oldest_s = now_s - memoryOf_s(meter);
    return meter.last_s < oldest_s || meter.lastFlowing_s >= oldest_s;
  }

  openEvent(trip_s: number): void {
    this.trip_s = trip_s;
    const { meter } = this;
    this.hasMeter = meter !== null && trip_s - meter.last_s <= memoryOf_s(meter);
    this.wasFlowing = meter !== null && trip_s - meter.lastFlowing_s <= memoryOf_s(meter);
    this.outlet.openEvent(trip_s);
  }

  closeEvent(): void {
    this.trip_s = Number.NaN;
    this.outlet.closeEvent();
  }

  /** True when the leg was flowing at the trip: by its meter, or without a live one by the fall of its pressure. */
  get isActive(): boolean {
    return this.hasMeter ? this.wasFlowing : this.outlet.hasFallen;
  }

  /** The earliest instant at which something says that the valve is shut; NaN until then. */
  get seated_s(): number {
    const { trip_s } = this;
    let first_s = this.outlet.seated_s;
    const shut_s = this.position?.shutSince_s ?? Number.POSITIVE_INFINITY;
    if (shut_s < Number.POSITIVE_INFINITY && shut_s > trip_s && !(first_s <= shut_s)) first_s = shut_s;
    const { meter } = this;
    if (meter !== null && meter.restingSince_s > trip_s && meter.last_s - meter.restingSince_s >= rest_s) {
      if (!(first_s <= meter.restingSince_s)) first_s = meter.restingSince_s;
    }
    return first_s;
  }

  /** When the leg had come to rest, in s; NaN until then. */
  get settled_s(): number {
    const { seated_s } = this;
    return Number.isNaN(seated_s) ? Number.NaN : this.outlet.settled_s(seated_s);
  }
}
