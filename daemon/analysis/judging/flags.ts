/** Flags: what a reader must know before believing a number. Each is one sentence with its figures. */

import { indexOfLargest, meanOver, range } from '../../statistics/samples.ts';
import type { Facts } from '../finding/facts.ts';
import { blind, longest_s, within } from '../reading/missing.ts';
import type { EventRecord } from '../record.ts';
import type { Flag, LegResults } from '../verdict.ts';
import { closedFlags } from './closed-flags.ts';
import { leakFlag } from './leak.ts';
import { isPeakOpen, lackWords, milliseconds } from './reasons.ts';
import { flag } from './tap-flags.ts';

/** Figures that rest on the height of the peak; those of the load on the pipe last. */
const ofHeight: Flag['withholds'] = ['peak', 'surge', 'surgeOverBefore', 'equivalentReverseVelocity'];
const ofLoad: Flag['withholds'] = ['anchorLoad', 'ratingMargin'];
const ofPeak: Flag['withholds'] = [...ofHeight, ...ofLoad];
/** Figures that rest on the step of the seating. */
const ofStep: Flag['withholds'] = ['seatingStep', 'velocityAtSeating'];

/**
 * All flags of a leg that flowed; empty when there is no reservation. The numbers
 * in their texts are for people; never throws.
 */
export function flagsOf(record: EventRecord, facts: Facts, results: LegResults): Flag[] {
  return [
    ...missingFlags(facts, record),
    ...samplingFlags(facts),
    ...deviceFlags(facts),
    ...holeFlags(facts),
    ...(facts.seat === null
      ? notClosedFlags(facts)
      : closedFlags(record, { ...facts, seat: facts.seat }, results)),
    ...leakFlag(facts, results),
  ];
}

function missingFlags(facts: Facts, record: EventRecord): Flag[] {
  const flags: Flag[] = [];
  const { signals, trip } = facts;
  if (trip?.source !== 'contact' && trip?.source !== 'pressure-switch') {
    flags.push(
      flag(
        'no-contact',
        record.contact === null && record.pressureSwitch === null
          ? 'No trip contact: the instant comes from the pressure and is less certain.'
          : 'The trip contact does not show a trip: it is read from the pressure and is less sure.',
      ),
    );
  }
  if (signals.meter === null)
    flags.push(flag('no-meter', 'No flow meter: the approach velocity comes from the pressure.'));
  if (signals.inlet === null) {
    flags.push(
      flag('no-inlet', 'No inlet tap: no second opinion on the reverse velocity, no count of re-openings.', [
        'inletReverseVelocity',
        'reopenings',
      ]),
    );
  }
  if (signals.tank === null)
    flags.push(flag('no-tank', 'No tank pressure: the level behind the column is estimated.'));
  return flags;
}

/** Reservations about the sampling of the outlet beside the plateau. */
function samplingFlags({ signals }: Facts): Flag[] {
  const { perPlateau, plateau_s } = signals.constants;
  if (perPlateau >= 20) return [];
  const rate = (1 / signals.outlet.step_s).toFixed(0);
  const seen = `${rate} samples/s put ${perPlateau.toFixed(1)} on the plateau of ${(plateau_s * 1e3).toFixed(1)} ms`;
  if (perPlateau >= 8) return [flag('sampling-marginal', `${seen}; 20 are recommended.`)];
  const peak = perPlateau < 2 ? 'the peak may be missed' : 'the peak is indicative';
  return [
    flag(
      'sampling-too-slow',
      `${seen}; at least 8 are needed, ${peak}.`,
      perPlateau < 1 ? [...ofHeight, ...ofStep, ...ofLoad] : ofStep,
    ),
  ];
}

/** Reservations about devices: what they repeat, how fast they answer, where they end, what was lost. */
function deviceFlags(facts: Facts): Flag[] {
  const flags: Flag[] = [];
  const { signals, peak } = facts;
  const { outlet } = signals;
  const { plateau_s, lag_s, ring_s } = signals.constants;
  if (outlet.repeats > 1) {
    const { rate_Hz, repeated_ratio } = outlet.update ?? { rate_Hz: 1 / outlet.step_s, repeated_ratio: 0 };
    flags.push(
      flag(
        'repeated-values',
        `The outlet repeats its values: polled ${outlet.repeats.toFixed(1)} times as often as it measures, its real rate is ${rate_Hz.toPrecision(3)} samples/s, ${(100 * repeated_ratio).toFixed(0)} % are repeats.`,
      ),
    );
  }
  if (lag_s > 0.1 * plateau_s) {
    flags.push(
      flag(
        'sensor-slow',
        `The outlet sensor answers in ${(lag_s * 1e3).toFixed(1)} ms, the pulse lasts ${(plateau_s * 1e3).toFixed(1)} ms.`,
        lag_s > plateau_s / 2 ? ofPeak : [],
      ),
    );
  }
  if (outlet.clipped_s.length > 0) {
    const near = peak !== null && outlet.clipped_s.some((t) => Math.abs(t - peak.at_s) < 0.005);
    flags.push(
      flag(
        'clipped',
        `${outlet.clipped_s.length} outlet samples are at the end of the measuring range.`,
        near ? ofPeak : [],
      ),
    );
  }
  flags.push(...assumedFlags(facts), ...humFlags(facts), ...lostFlags(facts));
  if (signals.spikes > 0 && (facts.seat === null || ring_s > 24 * outlet.step_s)) {
    flags.push(flag('spikes-removed', `${signals.spikes} single spikes left out.`));
  }
  return flags;
}

/** Response times that the rig file does not state. */
function assumedFlags({ signals }: Facts): Flag[] {
  const names = (['outlet', 'inlet', 'meter'] as const).filter(
    (name) => signals[name]?.series.channel.isResponseTimeAssumed === true,
  );
  if (names.length === 0) return [];
  const each = names.map((name) => {
    const { responseTime_s } = signals[name]?.series.channel ?? { responseTime_s: 0 };
    return `${name} 0 to ${(2e3 * responseTime_s).toFixed(0)} ms`;
  });
  return [
    flag(
      'response-time-assumed',
      `No response time in the rig file, assumed: ${each.join(', ')}. A slower sensor hides a slam: state responseTime from its data sheet and damping.`,
    ),
  ];
}

/** Hum of the mains that was taken out of a tap. */
function humFlags({ signals }: Facts): Flag[] {
  const found = (['outlet', 'inlet'] as const).flatMap((name) => {
    const hum = signals[name]?.hum;
    return hum === undefined
      ? []
      : [`${(hum.amplitude / 100).toFixed(0)} mbar at ${hum.frequency_Hz.toFixed(1)} Hz on the ${name}`];
  });
  if (found.length === 0) return [];
  return [
    flag(
      'mains-hum',
      `Hum of the mains taken out: ${found.join(', ')}. Check shield and earth of the cable.`,
    ),
  ];
}

/** Samples that did not arrive, and those that no device vouches for, of outlet, inlet and meter. */
function lostFlags({ signals: { outlet, inlet, meter } }: Facts): Flag[] {
  const lost = outlet.series.lost + (inlet?.series.lost ?? 0) + (meter?.series.lost ?? 0);
  const bad = outlet.bad + (inlet?.bad ?? 0) + (meter?.bad ?? 0);
  const texts = [lost > 0 ? `${lost} samples lost.` : '', bad > 0 ? `${bad} bad samples left out.` : ''];
  return lost + bad > 0 ? [flag('samples-lost', texts.filter(Boolean).join(' '))] : [];
}

/** What missing samples about the closing do to the numbers. */
function holeFlags(facts: Facts): Flag[] {
  const { seat, signals, trip } = facts;
  const holes = blind(signals.outlet.missing);
  if (seat === null) {
    const after = within(holes, { from_s: trip?.at_s ?? 0, to_s: Number.POSITIVE_INFINITY });
    if (after.length === 0) return [];
    return [
      flag(
        'samples-missing',
        `${milliseconds(longest_s(after))} of outlet samples missing after the trip: the closing may lie there.`,
      ),
    ];
  }
  if (seat.hidden === null && !isPeakOpen(facts)) return [];
  const where = seat.hidden === null ? 'right after the seating' : 'at the seating';
  const rest = isPeakOpen(facts)
    ? 'peak, surge and reverse velocities are bounds'
    : 'the seating lies somewhere in them';
  return [
    flag(
      'samples-missing',
      `${lackWords(facts).replace('of samples', 'of outlet samples')} ${where}: ${rest}.`,
    ),
  ];
}

/** How far the outlet rose over its later level after the trip: all that can be said of a closing that was not located. */
export function risenText({ signals, trip }: Facts): string {
  const { time_s, value } = signals.calm;
  const last_s = time_s[time_s.length - 1];
  const from_s = trip?.at_s ?? time_s[0];
  const later = meanOver(signals.calm, { from_s: Math.max(from_s + 0.5, last_s - 0.5), to_s: last_s });
  const [first, end] = range(time_s, { from_s: from_s + 0.05, to_s: last_s });
  const k = indexOfLargest(value, first, end);
  if (later === null || k < 0) return 'How far the outlet rose is not known.';
  return `The outlet rose by ${(Math.max(0, value[k] - later) / 1e5).toFixed(1)} bar over its later level.`;
}

/** A trip without a closing that was located: shut or not shut. Never an all-clear. */
function notClosedFlags(facts: Facts): Flag[] {
  const { signals, trip } = facts;
  if (trip === null) return [flag('did-not-close', 'No closing of a valve was found in this record.')];
  const { time_s } = signals.outlet.samples;
  const last_s = time_s[time_s.length - 1];
  const late = { from_s: Math.max(trip.at_s + 0.5, last_s - 0.5), to_s: last_s };
  const after_s = (last_s - trip.at_s).toFixed(1);
  const flow = signals.meter === null ? null : meanOver(signals.meter.samples, late);
  const difference = signals.inlet === null ? null : meanOver(signals.difference, late);
  const isHeld = difference !== null && difference > 0.2e5;
  const leak_mps = isHeld ? 0.06 * Math.sqrt((2 * difference) / signals.constants.density_kgpm3) : 0;
  const isStill = flow !== null && Math.abs(flow) < Math.max(0.25, leak_mps);
  const isTorn = within(blind(signals.outlet.missing), { from_s: trip.at_s, to_s: last_s }).length > 0;
  // A gentle closing may be said only where every sample would have shown a hard one.
  if (isTorn && (isStill || isHeld)) return [];
  if ((isStill && (difference === null || isHeld)) || (flow === null && isHeld)) {
    return [
      flag(
        'no-measurable-slam',
        `The valve is shut ${after_s} s after the trip; its closing was not located. ${risenText(facts)}`,
      ),
    ];
  }
  return [
    flag(
      'did-not-close',
      `No closing of the valve within ${after_s} s after the trip${flow === null ? '' : `; the meter still reads ${flow.toFixed(2)} m/s`}.`,
    ),
  ];
}
