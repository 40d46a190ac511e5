/** Keeps what really happened in one leg after a loss of drive, step by step. */
import type { CheckValve } from '../hydraulics/check-valve.ts';
import type { LegWatcher, WatchedColumn, WatchedLeg } from '../hydraulics/network/plant-types.ts';

/** Half of the window of the deceleration at reversal, in s. */
const halfWindow_s = 0.01;

/** Seating -> instant of the static level, in s. */
const staticDelay_s = 0.05;

/** A truth is final so long after seating, or after a trip without seating, in s. */
const afterSeating_s = 3;
const withoutSeating_s = 8;

/** Velocity at the valve above which a leg counts as flowing, in m/s. */
const flowing_mps = 0.05;

/** What really happened in one leg after a loss of drive; instants on the plant's clock, null until it happens. */
export interface LegTruth {
  readonly leg: string;
  readonly trip_s: number;
  approachVelocity_mps: number;
  /** Flow through the valve crosses zero. Null also when the disc seats before that. */
  reversal_s: number | null;
  /** First contact of disc and seat. */
  seating_s: number | null;
  /** Signed: negative when the water runs back. */
  velocityAtSeating_mps: number | null;
  /** Magnitude, >= 0, of the most negative velocity at the valve up to seating. */
  largestReverseVelocity_mps: number;
  /**
   * Mean over 20 ms centred on the reversal of the leg's mean velocity, cut off at seating; positive while slowing.
   * Null when the disc seats first.
   */
  decelerationAtReversal_mps2: number | null;
  /** Largest pressure at the valve's outlet face from reversal or seating on, whichever is first. */
  peakAtValve_Pa: number;
  /** When that was. Long after seating: a later slam was the worse one. */
  peak_s: number | null;
  /** Largest pressure at the outlet tap, which a perfect sensor there would read. */
  peakAtTap_Pa: number;
  /** Smallest pressure at the valve's outlet face since the trip. */
  minimumAtValve_Pa: number;
  /** Tank pressure at the pipe axis 50 ms after seating. */
  staticAfter_Pa: number | null;
  seatContacts: number;
  /** Whether a vapour cavity stood at a face of the valve. */
  hasCavitated: boolean;
}

/** Follows one leg as a watcher of the plant; `truth` is of the newest trip, null when the leg did not flow at it. */
export class TruthKeeper implements LegWatcher {
  truth: LegTruth | null = null;
  private readonly leg: string;
  private readonly reach: WatchedColumn;
  private readonly valve: CheckValve;
  private readonly dt_s: number;
  private readonly weight_Npm3: number;
  private isOpen = false;
  /** Mean velocity of the column over the last window, a ring of one entry a step. */
  private readonly means_mps: Float64Array;
  private readonly half: number;
  private steps = 0;
  /** Step at which the column's mean velocity fell through zero; -1: not yet. */
  private columnReversed = -1;
  /** Flow through the valve at the ends of the last two steps. */
  private lastFlow_m3ps = 0;
  private flowBefore_m3ps = 0;

  constructor({ id, downstream, valve, dt_s, weight_Npm3 }: WatchedLeg) {
    this.leg = id;
    this.reach = downstream;
    this.valve = valve;
    this.dt_s = dt_s;
    this.weight_Npm3 = weight_Npm3;
    this.half = Math.max(1, Math.round(halfWindow_s / dt_s));
    this.means_mps = new Float64Array(2 * this.half + 1);
  }

  /** Loss of drive: begins a truth if the leg flows, else leaves none. */
  begin(time_s: number): void {
    const velocity_mps = this.valve.disc.flow_m3ps / this.reach.area_m2;
    this.isOpen = velocity_mps > flowing_mps;
    this.lastFlow_m3ps = this.valve.disc.flow_m3ps;
    this.flowBefore_m3ps = this.lastFlow_m3ps;
    this.truth = this.isOpen
      ? {
          leg: this.leg,
          trip_s: time_s,
          approachVelocity_mps: velocity_mps,
          reversal_s: null,
          seating_s: null,
          velocityAtSeating_mps: null,
          largestReverseVelocity_mps: 0,
          decelerationAtReversal_mps2: null,
          peakAtValve_Pa: -Infinity,
          peak_s: null,
          peakAtTap_Pa: -Infinity,
          minimumAtValve_Pa: Infinity,
          staticAfter_Pa: null,
          seatContacts: 0,
          hasCavitated: false,
        }
      : null;
    this.means_mps.fill(this.reach.meanFlow_m3ps() / this.reach.area_m2);
    this.steps = 0;
    this.columnReversed = -1;
  }

  /** Nothing more belongs to the newest trip. */
  end(): void {
    this.isOpen = false;
    if (this.truth !== null && this.truth.peakAtValve_Pa === -Infinity) {
      this.truth.peakAtValve_Pa = this.valveHead_Pa();
      this.truth.peakAtTap_Pa = this.truth.peakAtValve_Pa;
    }
  }

  private valveHead_Pa(): number {
    return this.reach.head_m[0] * this.weight_Npm3;
  }

  /** After every step; `time_s` is its end. */
  advance(time_s: number, outletTap_Pa: number, tank_Pa: number): void {
    const truth = this.truth;
    if (!this.isOpen || truth === null) return;
    const { disc, upstreamCavity_m3, downstreamCavity_m3 } = this.valve;
    const area_m2 = this.reach.area_m2;
    const begin_s = time_s - this.dt_s;
    if (upstreamCavity_m3 > 0 || downstreamCavity_m3 > 0) truth.hasCavitated = true;

    if (truth.seating_s === null) {
      const smallest_m3ps = disc.contacts > 0 ? this.flowAtContact_m3ps() : disc.smallestFlow_m3ps;
      if (smallest_m3ps < -truth.largestReverseVelocity_mps * area_m2) {
        truth.largestReverseVelocity_mps = -smallest_m3ps / area_m2;
      }
      if (disc.reversalShare >= 0 && truth.reversal_s === null) {
        truth.reversal_s = begin_s + disc.reversalShare * this.dt_s;
      }
      this.followColumn(truth, disc.contacts > 0);
      if (disc.contacts > 0) {
        truth.seating_s = begin_s + disc.contactShare * this.dt_s;
        truth.velocityAtSeating_mps = this.flowAtContact_m3ps() / area_m2;
      }
    } else if (this.columnReversed >= 0 && truth.decelerationAtReversal_mps2 === null) {
      this.followColumn(truth, true);
    }
    truth.seatContacts += disc.contacts;
    this.flowBefore_m3ps = this.lastFlow_m3ps;
    this.lastFlow_m3ps = disc.flow_m3ps;

    const valve_Pa = this.valveHead_Pa();
    if (valve_Pa < truth.minimumAtValve_Pa) truth.minimumAtValve_Pa = valve_Pa;
    if (truth.reversal_s !== null || truth.seating_s !== null) {
      if (valve_Pa > truth.peakAtValve_Pa) {
        truth.peakAtValve_Pa = valve_Pa;
        truth.peak_s = time_s;
      }
      if (outletTap_Pa > truth.peakAtTap_Pa) truth.peakAtTap_Pa = outletTap_Pa;
    }
    const since_s = time_s - (truth.seating_s ?? truth.trip_s);
    if (truth.seating_s !== null && truth.staticAfter_Pa === null && since_s >= staticDelay_s) {
      truth.staticAfter_Pa = tank_Pa;
    }
    if (since_s > (truth.seating_s === null ? withoutSeating_s : afterSeating_s)) this.end();
  }

  /**
   * Flow at the contact, carried on from the two steps before it. Within the step of the contact itself the waves hold
   * still while the gap closes: the flow of its sub-steps overshoots by up to a fifth, less and less with a shorter step.
   */
  private flowAtContact_m3ps(): number {
    const { lastFlow_m3ps, flowBefore_m3ps, valve } = this;
    return lastFlow_m3ps + (lastFlow_m3ps - flowBefore_m3ps) * valve.disc.contactShare;
  }

  /**
   * Deceleration at reversal. The velocity at the valve is a staircase of steps 2 L / a long; that of the whole
   * column is smooth, so its reversal is the centre of the window. Ends at seating, which stops the column.
   */
  private followColumn(truth: LegTruth, isSeated: boolean): void {
    const size = this.means_mps.length;
    const now = this.steps % size;
    const before_mps = this.means_mps[(now + size - 1) % size];
    const mean_mps = this.reach.meanFlow_m3ps() / this.reach.area_m2;
    if (!isSeated) this.means_mps[now] = mean_mps;
    if (this.columnReversed < 0) {
      if (!isSeated && mean_mps < 0) this.columnReversed = this.steps;
    }
    if (this.columnReversed >= 0 && truth.decelerationAtReversal_mps2 === null) {
      const last = isSeated ? this.steps - 1 : this.steps;
      if (isSeated || last - this.columnReversed >= this.half) {
        const first = Math.max(0, this.columnReversed - this.half);
        const end_mps = isSeated ? before_mps : mean_mps;
        const span_s = (last - first) * this.dt_s;
        truth.decelerationAtReversal_mps2 = (this.means_mps[first % size] - end_mps) / span_s;
      }
    }
    this.steps++;
  }
}
