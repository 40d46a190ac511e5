/** Sources of uncertainty in words that need no textbook. */
import type { BudgetPart } from '../../daemon/web/wire.ts';

/** What a source is called in a budget. */
export const sourceWords: Readonly<Record<BudgetPart['source'], string>> = {
  noise: 'noise of the signal',
  sampling: 'time between samples',
  'sensor-lag': 'response time of the sensor',
  'sensor-delay': 'delay of the sensor',
  'calibration-offset': 'calibration, offset',
  'calibration-slope': 'calibration, slope',
  density: 'density of the water',
  'wave-speed': 'wave speed',
  length: 'length of the leg',
  'tap-distance': 'distance of the taps',
  inertia: 'inertia at the end of the leg',
  'contact-delay': 'delay of the contact',
  'contact-sampling': 'when the contact was read',
  'pressure-knee': 'knee of the pressure at the trip',
  'meter-noise': 'noise of the meter',
  'meter-lag': 'response time of the meter',
  'meter-zero': 'zero of the meter',
  'meter-slope': 'calibration of the meter',
  'static-level': 'settled level',
  'column-motion': 'velocity followed from the pressures',
  method: 'method: window, formula, shape of the closing',
};

/** Parts worth a bar, at most `most`; the smaller ones summed up as one share. */
export function mainParts(
  budget: readonly BudgetPart[],
  most = 6,
): { readonly parts: readonly BudgetPart[]; readonly rest: number } {
  const parts = budget.filter(({ share }, index) => index < most && share >= 0.005);
  const shown = parts.reduce((sum, { share }) => sum + share, 0);
  return { parts, rest: Math.max(0, 1 - shown) };
}

/** `59 %`, `0.8 %`: shares are never known better. */
export function shareWords(share: number): string {
  const percent = 100 * share;
  return `${percent >= 0.95 ? percent.toFixed(0) : percent.toFixed(1)}\u202f%`;
}
