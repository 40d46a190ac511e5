/**
 * 4-20 mA loops: what a current means (NAMUR NE 43, from published summaries of it) and the status classes of NAMUR
 * NE 107. Currents in A.
 */

/** Bands of the current from below to above. */
export type LoopBand =
  | 'failure-low'
  | 'uncertain-low'
  | 'under-range'
  | 'measuring'
  | 'over-range'
  | 'uncertain-high'
  | 'failure-high';

/** At or below: the transmitter signals a failure (NE 43). */
export const failureLow_A = 3.6e-3;
/** Between here and `highestSignal_A` the current is a measurement (NE 43). */
export const lowestSignal_A = 3.8e-3;
/** Ends of the nominal range. */
export const zero_A = 4e-3;
export const full_A = 20e-3;
/** A healthy transmitter stops here however high the pressure (NE 43). */
export const highestSignal_A = 20.5e-3;
/** At or above: the transmitter signals a failure (NE 43). */
export const failureHigh_A = 21e-3;

/** Limits are met to a nanoampere: 3.6 mA times a unit factor is not 3.6e-3 to the last bit. */
function rounded(current_A: number): number {
  return Math.round(current_A * 1e9) / 1e9;
}

/** The band of a current. Between measurement and failure NE 43 defines nothing: `uncertain`. Throws RangeError for NaN. */
export function loopBand(current_A: number): LoopBand {
  if (Number.isNaN(current_A)) throw new RangeError('loop current: no number found, amperes allowed');
  const current = rounded(current_A);
  if (current <= failureLow_A) return 'failure-low';
  if (current < lowestSignal_A) return 'uncertain-low';
  if (current < zero_A) return 'under-range';
  if (current <= full_A) return 'measuring';
  if (current <= highestSignal_A) return 'over-range';
  return current < failureHigh_A ? 'uncertain-high' : 'failure-high';
}

/** Share of the nominal range, 0 at 4 mA and 1 at 20 mA; -0.0125 to 1.03125 while it is a measurement. */
export function loopShare_ratio(current_A: number): number {
  return (current_A - zero_A) / (full_A - zero_A);
}

/**
 * Whether the current stands at an end of what a transmitter can show, within `margin_A` (0.02 mA: 0.1 % of 20 mA).
 * In a slam that says "the true peak was higher", not "the sensor has failed": the peak is a lower bound.
 */
export function isSaturated(current_A: number, margin_A = 2e-5): boolean {
  const current = rounded(current_A);
  return current <= lowestSignal_A + margin_A || current >= highestSignal_A - margin_A;
}

/** Status classes of NE 107, by name. */
export type StatusClass =
  | 'failure'
  | 'function-check'
  | 'out-of-specification'
  | 'maintenance-required'
  | 'good';

interface StatusMeaning {
  /** Letter of NE 107; none for good. */
  readonly letter: 'F' | 'C' | 'S' | 'M' | '';
  /** What the measured value is worth meanwhile. */
  readonly value: 'invalid' | 'uncertain' | 'valid';
}

/** Most pressing first: F, C, S, M, good (NE 107; the order as device manuals print it). */
export const statusClasses: ReadonlyMap<StatusClass, StatusMeaning> = new Map([
  ['failure', { letter: 'F', value: 'invalid' }],
  ['function-check', { letter: 'C', value: 'invalid' }],
  ['out-of-specification', { letter: 'S', value: 'uncertain' }],
  ['maintenance-required', { letter: 'M', value: 'valid' }],
  ['good', { letter: '', value: 'valid' }],
]);

/** The class to show when several hold at once; good when none does. */
export function mostPressing(classes: Iterable<StatusClass>): StatusClass {
  const holding = new Set(classes);
  for (const kind of statusClasses.keys()) if (holding.has(kind)) return kind;
  return 'good';
}

/** How long a failure current must last to be one, in s (common practice, no source): a slam is over long before. */
export const failureConfirmed_s = 4;

/**
 * Status of a channel whose current has been in `band` for `lasted_s`. A failure band becomes a failure only after
 * `confirmed_s`: a pressure peak can drive a healthy transmitter to its end, and an anti-alias filter can ring past it.
 * Until then, and in the undefined bands, the value is out of specification. It never says that a plant is safe.
 */
export function loopStatus(
  band: LoopBand,
  lasted_s: number,
  confirmed_s: number = failureConfirmed_s,
): StatusClass {
  switch (band) {
    case 'failure-low':
    case 'failure-high':
      return lasted_s >= confirmed_s ? 'failure' : 'out-of-specification';
    case 'uncertain-low':
    case 'uncertain-high':
      return 'out-of-specification';
    case 'under-range':
    case 'measuring':
    case 'over-range':
      return 'good';
  }
}
