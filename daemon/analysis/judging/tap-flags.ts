/** Flags about the taps and their sensors: vapour, clocks, tapping lines, exchanged taps. */

import { fitLineOf, onLine } from '../../statistics/fit.ts';
import { meanOver, range } from '../../statistics/samples.ts';
import { coverage, together } from '../../statistics/uncertainty.ts';
import type { Facts } from '../finding/facts.ts';
import { steadyLine, steadySpan } from '../finding/levels.ts';
import type { Trip } from '../finding/trip.ts';
import { delayDoubt_s, type LegSignals } from '../reading/leg-signals.ts';
import type { EventRecord } from '../record.ts';
import type { Flag } from '../verdict.ts';
import { partingLevel_Pa } from './inlet.ts';

/** A margin over vapour pressure at which cavitation is suspected, in Pa. */
const vapourMargin_Pa = 0.06e5;

/** A flag; `withholds` names the results that it made meaningless. */
export function flag(code: Flag['code'], text: string, withholds: Flag['withholds'] = []): Flag {
  return { code, text, withholds };
}

/** The flag that two instruments tell of one moment at different times; `text` says which and by how much. */
export function clocksDisagree(text: string): Flag[] {
  return [flag('instruments-misaligned', `${text}: clocks or delays do not agree.`)];
}

/**
 * Whether outlet and inlet are exchanged: water flows from the lower to the higher tap before the trip, and the shut
 * valve holds the higher pressure on its pump side after it. False when that cannot be told.
 */
export function areTapsSwapped(signals: LegSignals, trip: Trip | null): boolean {
  if (signals.inlet === null || trip === null) return false;
  const { time_s } = signals.difference;
  const last_s = time_s[time_s.length - 1];
  const late = { from_s: Math.max(trip.at_s + 1, last_s - 0.5), to_s: last_s };
  const before = meanOver(signals.difference, steadySpan(trip.at_s));
  const after = meanOver(signals.difference, late);
  const flow = signals.meter === null ? 0 : meanOver(signals.meter.samples, late);
  return (
    before !== null &&
    after !== null &&
    flow !== null &&
    Math.abs(flow) < 0.25 &&
    before > 0.01e5 &&
    after < -0.2e5
  );
}

/** True when `least` values in a row lie below a limit. */
function isUnder(value: Float64Array, limit_Pa: number, least: number): boolean {
  let row = 0;
  for (let k = 0; k < value.length; k++) {
    row = value[k] < limit_Pa ? row + 1 : 0;
    if (row >= least) return true;
  }
  return false;
}

/**
 * Outlet or inlet at the vapour pressure of the water (absolute, with a margin for the sensor): one flag, or none. Pressure
 * below atmosphere alone is not cavitation.
 */
export function cavitation(record: EventRecord, facts: Facts): Flag[] {
  const { signals, seat } = facts;
  if (seat === null) return [];
  const limit_Pa = record.liquid.vapourPressure_PaAbs - record.atmosphere_PaAbs + vapourMargin_Pa;
  const low = (['outlet', 'inlet'] as const).filter((name) => {
    const channel = signals[name];
    if (channel === null) return false;
    const { time_s, value } = channel.samples;
    const [first, end] = range(time_s, { from_s: seat.at_s - 0.02, to_s: seat.at_s + 3 });
    return isUnder(value.subarray(first, end), limit_Pa, channel.step_s > 0.002 ? 1 : 3);
  });
  if (low.length === 0) {
    return [];
  }
  return [
    flag(
      'cavitation-suspected',
      `The ${low.join(' and the ')} fell to the vapour pressure of the water (below ${(limit_Pa / 1e5).toFixed(2)} bar${low.includes('inlet') ? `; the inlet cross-check ends at ${(partingLevel_Pa / 1e5).toFixed(1)} bar` : ''}).`,
    ),
  ];
}

/**
 * Outlet up and inlet down must start within the travel between the taps; one flag when they do not. None without an inlet
 * or a sharp front.
 */
export function misaligned(facts: Facts): Flag[] {
  const { signals, seat, trip } = facts;
  const { inlet, outlet, leg } = signals;
  if (seat === null || inlet === null || trip === null || leg.inlet === null || seat.isSoftened !== false)
    return [];
  const { time_s, value } = inlet.samples;
  const [first, end] = range(time_s, { from_s: seat.at_s - 0.05, to_s: seat.at_s + 0.05 });
  let steepest = -1;
  for (let k = first + 1; k < end; k++) {
    if (steepest < 0 || value[k] - value[k - 1] < value[steepest] - value[steepest - 1]) steepest = k;
  }
  if (steepest < 0) return [];
  // The pipe to the pump rings and may fall faster later: take the first fall of some size.
  const most = value[steepest - 1] - value[steepest];
  for (let k = first + 1; k < steepest; k++) {
    if (value[k - 1] - value[k] > 0.3 * most) {
      steepest = k;
      break;
    }
  }
  const fall = value[steepest - 1] - value[steepest];
  if (fall < Math.max(8 * inlet.sigma, (0.3 * seat.closure.step_Pa) / 2)) return [];
  const apart_s =
    (time_s[steepest] + time_s[steepest - 1]) / 2 -
    leg.inlet.distance_m / leg.waveSpeed_mps -
    inlet.series.channel.responseTime_s -
    seat.at_s;
  const allowed_s =
    0.003 +
    1.5 * (inlet.step_s + outlet.step_s) +
    inlet.series.halfWidth_s +
    outlet.series.halfWidth_s +
    coverage * together(delayDoubt_s(inlet), delayDoubt_s(outlet));
  if (Math.abs(apart_s) <= allowed_s) return [];
  return [
    flag(
      'instruments-misaligned',
      `Inlet and outlet show the seating ${(apart_s * 1e3).toFixed(1)} ms apart: their clocks or delays do not agree.`,
    ),
  ];
}

/** A trapped bubble makes the line to the sensor swing: a regular ripple on the plateau much faster than the pipe. */
export function tappingLine(facts: Facts): Flag[] {
  const { signals, seat, trip } = facts;
  if (seat === null || seat.front === null || seat.isSoftened !== false || trip === null) return [];
  const { samples } = signals.outlet;
  const { plateau_s, lag_s, perPlateau } = signals.constants;
  if (perPlateau < 24) return [];
  const start_s = seat.front.at_s + Math.max(3 * lag_s, 0.03 * plateau_s);
  const [first, end] = range(samples.time_s, { from_s: start_s, to_s: seat.front.at_s + 0.85 * plateau_s });
  const line = fitLineOf(samples.time_s, samples.value, first, end);
  const quiet = steadyLine(samples, trip.at_s)?.sigma ?? signals.outlet.sigma;
  if (line === null || line.sigma < Math.max(4 * quiet, 0.1 * seat.front.step_Pa)) return [];
  let crossings = 0;
  for (let k = first + 1; k < end; k++) {
    const before = samples.value[k - 1] - onLine(line, samples.time_s[k - 1]);
    const now = samples.value[k] - onLine(line, samples.time_s[k]);
    if (before * now < 0) crossings++;
  }
  if (crossings < 5 || crossings > (end - first) / 2) return [];
  const frequency_Hz = crossings / 2 / (samples.time_s[end - 1] - samples.time_s[first]);
  return [
    flag(
      'tapping-line-rings',
      `The plateau carries a ripple of about ${frequency_Hz.toFixed(0)} Hz: gas in the line to the sensor? The peak may read high.`,
    ),
  ];
}
