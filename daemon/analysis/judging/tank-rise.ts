/** The tank's rise against what was pumped into it: air of a known volume is a flow meter of its own. */

import { ofInterval, together } from '../../statistics/uncertainty.ts';
import { steadyLine } from '../finding/levels.ts';
import type { Trip } from '../finding/trip.ts';
import type { LegSignals } from '../reading/leg-signals.ts';
import type { EventRecord } from '../record.ts';
import { standardOf } from '../result.ts';
import type { Flag, LegVerdict } from '../verdict.ts';
import { sureAt } from './sure.ts';
import { flag } from './tap-flags.ts';

/**
 * Over the last second before the trip p V^n is constant, so the flow into the tank is V dp/dt / (n p), p absolute; V
 * comes from the stated volume by the same law (n between 1 and 1.4: common practice, no source). It must equal the sum of
 * all flowing legs' meters. Nothing is said when the tank's air volume is not known, a flowing leg has no meter, the record
 * has no tank, or the tank does not rise clearly.
 */
export function tankRise(
  record: EventRecord,
  allSignals: readonly (LegSignals | null)[],
  legs: readonly LegVerdict[],
  trip: Trip | null,
): Flag[] {
  const air = record.tankAir ?? null;
  const tank = allSignals.find((signals) => signals !== null)?.tank ?? null;
  if (air === null || tank === null || trip === null) return [];
  const line = steadyLine(tank.samples, trip.at_s);
  if (line === null) return [];
  const slopeUncertainty_Paps = line.sigma / Math.sqrt(Math.max(1e-12, line.spread_s2));
  if (line.slope < 8 * slopeUncertainty_Paps) return [];
  let metered_m3ps = 0;
  let meteredUncertainty_m3ps = 0;
  for (const [k, leg] of legs.entries()) {
    const signals = allSignals[k];
    if (!leg.active || signals === null) continue;
    const { approachVelocity } = leg.results;
    if (signals.meter === null || approachVelocity.value === null) return [];
    const area_m2 = signals.constants.area_m2;
    // The tank's slope is that of the middle of its line; the flow falls until the trip.
    const slope_mps2 = steadyLine(signals.meter.samples, trip.at_s)?.slope ?? 0;
    metered_m3ps += area_m2 * (approachVelocity.value + slope_mps2 * (line.middle_s - trip.at_s));
    meteredUncertainty_m3ps += area_m2 * standardOf(approachVelocity);
  }
  if (metered_m3ps <= 0) return [];
  const pressure_PaAbs = line.level + record.atmosphere_PaAbs;
  const ratio = (air.at_Pa + record.atmosphere_PaAbs) / pressure_PaAbs;
  if (!(ratio > 0)) return [];
  const n = air.polytropic_ratio;
  const risen_m3ps = (air.volume_m3 * ratio ** (1 / n) * line.slope) / (n * pressure_PaAbs);
  // d ln(risen) / dn = -(1 + ln(ratio) / n) / n.
  const byExponent = Math.abs(1 + Math.log(ratio) / n) / n;
  const relative = together(
    byExponent * ofInterval(air.polytropicHalfWidth_ratio),
    ofInterval(air.halfWidth_m3) / air.volume_m3,
    slopeUncertainty_Paps / line.slope,
    meteredUncertainty_m3ps / metered_m3ps,
  );
  const apart = metered_m3ps / risen_m3ps - 1;
  if (Math.abs(apart) <= sureAt * relative) return [];
  return [
    flag(
      'tank-rise-differs',
      `The tank rises as if ${(risen_m3ps * 3600).toFixed(1)} m3/h flowed in; the meters read ${(metered_m3ps * 3600).toFixed(1)} m3/h: check the scale of the meters, the bore and the tank's air volume.`,
    ),
  ];
}
