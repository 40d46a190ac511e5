/**
 * The measured wave speed by its two ways. The rule that names one: the narrower interval counts. Which that is hangs on
 * the rig: two taps far apart with fast sensors, or a leg whose length and end are well known.
 */

import { type Estimate, ofInterval } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { ringWaveSpeed } from '../finding/ring.ts';
import { afterTrip } from '../finding/trip.ts';
import { isMeasured, measured, standardOf, withheld } from '../result.ts';
import type { LegVerdict, Result } from '../verdict.ts';
import { type Effect, withBudget } from './budget.ts';
import { ringDownSpeed } from './ringing.ts';

type WaveSpeeds = NonNullable<LegVerdict['waveSpeeds']>;

/** Both results side by side, without budgets. */
export function waveSpeedsOf(facts: Facts): WaveSpeeds {
  const { tapSpeed, trip, signals } = facts;
  const ringDown = ringDownSpeed(facts);
  if (tapSpeed === null) return { ringDown, twoTaps: ringDown };
  if ('reason' in tapSpeed) return { ringDown, twoTaps: withheld(tapSpeed.reason) };
  const { value, uncertainty } = tapSpeed.speed;
  const { mid, outlet } = signals.leg;
  const distance_m = (mid?.distance_m ?? 0) - outlet.distance_m;
  const method = `front of the seating between two taps ${distance_m.toFixed(2)} m apart`;
  return {
    ringDown,
    twoTaps: measured(value, 'm/s', uncertainty, method, afterTrip(trip, tapSpeed.speed)),
  };
}

/** The one that counts, with its budget. */
export function surerOf(facts: Facts, { ringDown, twoTaps }: WaveSpeeds): Result {
  if (!isMeasured(twoTaps)) return withBudget(ringDown, ringEffects(facts, ringDown));
  if (isMeasured(ringDown) && standardOf(twoTaps) >= standardOf(ringDown))
    return withBudget(ringDown, ringEffects(facts, ringDown));
  return withBudget(twoTaps, tapEffects(facts));
}

function tapEffects({ tapSpeed }: Facts): Effect[] {
  if (tapSpeed === null || 'reason' in tapSpeed) return [];
  const { byTiming_mps, byLags_mps, byDistance_mps } = tapSpeed.speed;
  return [
    ['sampling', byTiming_mps],
    ['sensor-lag', byLags_mps],
    ['tap-distance', byDistance_mps],
  ];
}

/** As `ringWaveSpeed` puts the speed together. */
function ringEffects({ signals: { leg }, settled }: Facts, { value }: Result): Effect[] {
  const ring = settled?.ring ?? null;
  if (value === null || ring === null) return [];
  return [
    ['length', (value * ofInterval(leg.lengthHalfWidth_m)) / leg.length_m],
    ['inertia', (value * 0.42 * Math.max(0, leg.inertiaRatio - 1)) / Math.sqrt(3)],
    ['noise', (value * ring.frequencyUncertainty_Hz) / ring.frequency_Hz],
  ];
}

/** A ring that explains less of the record than this is no evidence against the configuration. */
const evidence = 0.35;

/** The surer estimate as the cross-check takes it: also from a ring too weak to be published. Null without either. */
export function surerSpeed({
  tapSpeed,
  settled,
  signals,
}: Facts): (Estimate & { readonly by: 'ring-down' | 'two taps' }) | null {
  const { leg } = signals;
  const ring = settled?.ring ?? null;
  const byRing =
    ring === null || ring.explained < evidence
      ? null
      : ringWaveSpeed(ring, leg.length_m, ofInterval(leg.lengthHalfWidth_m), leg.inertiaRatio);
  const byTaps = tapSpeed === null || 'reason' in tapSpeed ? null : tapSpeed.speed;
  if (byTaps !== null && (byRing === null || byTaps.uncertainty < byRing.uncertainty)) {
    return { value: byTaps.value, uncertainty: byTaps.uncertainty, by: 'two taps' };
  }
  return byRing === null ? null : { ...byRing, by: 'ring-down' };
}
