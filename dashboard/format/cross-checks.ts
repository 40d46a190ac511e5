/** Cross-checks: one quantity measured in two ways. */
import type { LegVerdict, LegView, Measured, Result } from '../../daemon/web/wire.ts';

export interface CrossCheck {
  readonly name: string;
  readonly first: { readonly from: string; readonly result: Result };
  readonly second: { readonly from: string; readonly result: Result };
  /** Why a difference is to be expected here; empty when it is not. */
  readonly expected: string;
}

/** Those of a leg, in the order in which they are shown. */
export function crossChecks(leg: LegVerdict, view: LegView | undefined): CrossCheck[] {
  const { results } = leg;
  const isSoftened = leg.flags.some(({ code }) => code === 'softened-closure');
  return [
    {
      name: 'Velocity at seating',
      first: { from: 'outlet', result: results.velocityAtSeating },
      second: { from: 'inlet', result: results.inletReverseVelocity },
      expected: '',
    },
    {
      name: 'Reverse velocity',
      first: { from: 'impulse', result: results.largestReverseVelocity },
      second: { from: 'step', result: results.velocityAtSeating },
      expected: isSoftened ? 'as expected: softened closure' : '',
    },
    {
      name: 'Mean deceleration',
      first: { from: 'impulse', result: results.decelerationMean },
      second: { from: 'meter', result: results.decelerationMeter },
      expected: '',
    },
    {
      name: 'Wave speed',
      first: { from: 'ring-down', result: leg.waveSpeeds?.ringDown ?? results.waveSpeed },
      second: { from: 'rig file', result: configured(view) },
      expected: '',
    },
    ...twoTaps(leg),
  ];
}

/** Only for a leg that has a mid tap. */
function twoTaps({ waveSpeeds }: LegVerdict): CrossCheck[] {
  if (waveSpeeds === undefined) return [];
  const { ringDown, twoTaps: taps } = waveSpeeds;
  if (taps.value === null && taps.reason.includes('no mid tap')) return [];
  return [
    {
      name: 'Wave speed, measured',
      first: { from: 'two taps', result: taps },
      second: { from: 'ring-down', result: ringDown },
      expected: '',
    },
  ];
}

function configured(view: LegView | undefined): Result {
  if (view === undefined) return { value: null, reason: 'the leg is not in the rig file' };
  const { waveSpeed_mps: value, waveSpeedHalfWidth_mps: half } = view;
  return {
    value,
    unit: 'm/s',
    low: value - half,
    high: value + half,
    method: 'rig file',
    from_s: null,
    to_s: null,
  };
}

/**
 * Two results agree when they differ by no more than both intervals allow together: |difference| over the root of the sum of
 * the squared half-widths is at most 1 (the number E_n of ISO/IEC 17043, from memory). Of a lopsided interval the half
 * that faces the other value counts.
 */
export function agree(a: Measured, b: Measured): boolean {
  const [lower, upper] = a.value <= b.value ? [a, b] : [b, a];
  return upper.value - lower.value <= Math.hypot(lower.high - lower.value, upper.value - upper.low);
}
