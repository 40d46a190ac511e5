/** What the rig is doing, in one word, and when the next trip is due. */
import type { LinkState } from '../../drivers/driver.ts';
import type { RigPhase } from './messages.ts';

/** The line is drawn through so much of the past, in s. */
const memory_s = 3;
/** A tank that rises more slowly than this is not being filled, in Pa/s. */
const rising_Paps = 500;
/** The newer half may rise so much faster than the whole; more, and the flow is only starting. */
const steady_ratio = 1.5;
/** A link out of order for so long is a fault, in s; shorter ones are ordinary reconnects. */
const fault_s = 2;
/** The word "tripped" stands so long; then the event is being recorded. */
const tripped_s = 1;

/** Seconds until the tank reaches the set point, by a straight line through the last seconds. */
export class TankForecast {
  private readonly setPoint_Pa: number;
  private times: number[] = [];
  private pressures: number[] = [];

  constructor(setPoint_Pa: number) {
    this.setPoint_Pa = setPoint_Pa;
  }

  /** One mean of the tank pressure; NaN is passed over. */
  add(time_s: number, pressure_Pa: number): void {
    if (Number.isNaN(pressure_Pa)) return;
    this.times.push(time_s);
    this.pressures.push(pressure_Pa);
    while (this.times[0] < time_s - memory_s) {
      this.times.shift();
      this.pressures.shift();
    }
  }

  /** Forgets the past: the pump has stopped or started. */
  clear(): void {
    this.times = [];
    this.pressures = [];
  }

  /** Null when the tank is not rising, not yet along a line, or has been watched for less than a second. */
  tripIn_s(now_s: number): number | null {
    const { times, pressures } = this;
    const count = times.length;
    if (count < 5 || times[count - 1] - times[0] < 1) return null;
    const whole = lineOf(times, pressures, 0);
    const newer = lineOf(times, pressures, count >> 1);
    if (whole.slope_Paps < rising_Paps || newer.slope_Paps > steady_ratio * whole.slope_Paps) return null;
    return Math.max(0, whole.middle_s + (this.setPoint_Pa - whole.mean_Pa) / whole.slope_Paps - now_s);
  }
}

/** Least-squares line through the points from index `from` on; at least two. */
function lineOf(times: readonly number[], pressures: readonly number[], from: number) {
  const count = times.length - from;
  let middle_s = 0;
  let mean_Pa = 0;
  for (let k = from; k < times.length; k++) {
    middle_s += times[k] / count;
    mean_Pa += pressures[k] / count;
  }
  let top = 0;
  let bottom = 0;
  for (let k = from; k < times.length; k++) {
    top += (times[k] - middle_s) * (pressures[k] - mean_Pa);
    bottom += (times[k] - middle_s) ** 2;
  }
  return { middle_s, mean_Pa, slope_Paps: top / bottom };
}

export interface PhaseFacts {
  readonly now_s: number;
  readonly links: readonly LinkState[];
  /** Trip of the open event; null when none is open. */
  readonly trip_s: number | null;
  readonly isDriveOn: boolean | null;
  readonly tripIn_s: number | null;
}

export function phaseOf({ now_s, links, trip_s, isDriveOn, tripIn_s }: PhaseFacts): RigPhase {
  if (links.some((link) => isFaulty(link, now_s))) return 'fault';
  if (trip_s !== null) return now_s - trip_s < tripped_s ? 'tripped' : 'recording';
  if (isDriveOn === false) return 'waiting';
  if (tripIn_s !== null) return 'filling';
  return isDriveOn === true ? 'running' : 'waiting';
}

function isFaulty(link: LinkState, now_s: number): boolean {
  const isFine = link.state === 'open' || link.state === 'opening' || link.state === 'ended';
  return !isFine && link.state !== 'stopped' && now_s - link.since_s > fault_s;
}
