/** Whether a leg's outlet channel is quick enough to show a peak: known from the rig file, before the first trip. */
import type { LineSpec } from '../drivers/line-spec.ts';
import { describe } from '../drivers/registry.ts';
import type { LegConfig, RigConfig } from './rig.ts';

/** Samples on the plateau after seating that a peak needs to be reported, and that are recommended. */
export const plateauSamples = { needed: 8, recommended: 20 } as const;

/** n_p = 2 fs (L - x)/a: samples between the step at the outlet tap and its echo from the reflecting end. */
export interface OutletSampling {
  readonly channel: string;
  readonly rate_Hz: number;
  /** 2 (L - x)/a. */
  readonly plateau_s: number;
  /** `rate_Hz * plateau_s`. */
  readonly samples: number;
}

/** Samples per second of a channel as configured; null when only the recording has it. */
function rateOf_Hz(lines: readonly LineSpec[], id: string): number | null {
  for (const line of lines) {
    const rate_Hz = describe(line).rate_Hz(line, id);
    if (rate_Hz !== null) return rate_Hz;
  }
  return null;
}

/** Null when the rate of the outlet channel stands only in the recording. */
export function outletSampling(rig: RigConfig, leg: LegConfig): OutletSampling | null {
  const { channel, distance_m } = leg.outlet;
  const rate_Hz = rateOf_Hz(rig.lines, channel);
  if (rate_Hz === null) return null;
  const plateau_s = (2 * (leg.length_m - distance_m)) / leg.waveSpeed_mps;
  return { channel, rate_Hz, plateau_s, samples: rate_Hz * plateau_s };
}
