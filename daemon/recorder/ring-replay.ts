/** Gives blocks of the disk ring to detection once more, and says what it makes of the pump. */
import type { RawBlock } from '../../drivers/driver.ts';
import type { RingHeader } from '../store/ring-format.ts';
import { Calibrator } from './calibrate.ts';
import { type OnTrip, TripDetector } from './detect.ts';
import { channelsOf } from './line.ts';

export class RingReplay {
  readonly detector: TripDetector;
  readonly #calibrators: readonly Calibrator[];

  /** `onTrip`: what detection declares once more. */
  constructor(header: RingHeader, onTrip: OnTrip = () => undefined) {
    const config = header.config;
    this.detector = new TripDetector(config, header.groups, onTrip);
    this.#calibrators = header.groups.map((group) => new Calibrator(group, channelsOf(group, config)));
  }

  /** Takes a block of `header.groups`; returns where it ends, in s. */
  take(block: RawBlock): number {
    const { group } = block;
    const calibrated = this.#calibrators[group].calibrate(block);
    this.detector.take(group, calibrated);
    return calibrated.time_s + calibrated.scans * calibrated.interval_s;
  }
}

/** Whether the pump runs, by the run contact, else the pressure switch, else the meters; null when none of them says. */
export function pumpState(detector: TripDetector): boolean | null {
  const { contact, pressureSwitch, legs } = detector;
  if (contact !== null) return contact.isRunning;
  if (pressureSwitch !== null && pressureSwitch.isRunning !== null) return pressureSwitch.isRunning;
  const meters = legs.flatMap(({ meter }) =>
    meter === null || Number.isNaN(meter.velocity_mps) ? [] : [meter],
  );
  return meters.length === 0 ? null : detector.isDriveOn;
}

/** When a contact or switch stopped too soon to be a trip, in s; null when none did. */
export function stoppedTooSoon_s({ contact, pressureSwitch }: TripDetector): number | null {
  for (const watch of [contact, pressureSwitch])
    if (watch !== null && !Number.isNaN(watch.tooSoon_s)) return watch.tooSoon_s;
  return null;
}
