/** Flags: what a reader must know before believing a number. Each is one sentence with its figures. */

import { indexAt, indexOfLargest, meanOver, range } from '../../statistics/samples.ts';
import type { Facts } from '../finding/facts.ts';
import type { EventRecord } from '../record.ts';
import { isMeasured } from '../result.ts';
import type { Flag, LegResults } from '../verdict.ts';
import { crossChecks } from './cross-checks.ts';
import { cavitation, flag, misaligned, tappingLine } from './tap-flags.ts';

/**
 * All flags of a leg that flowed; empty when there is no reservation. The numbers
 * in their texts are for people; never throws.
 */
export function flagsOf(record: EventRecord, facts: Facts, results: LegResults): Flag[] {
  return [
    ...missingFlags(facts, record),
    ...deviceFlags(facts),
    ...(facts.seat === null ? notClosedFlags(facts) : closedFlags(record, facts, results)),
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

function deviceFlags(facts: Facts): Flag[] {
  const flags: Flag[] = [];
  const { signals, peak } = facts;
  const { perPlateau, plateau_s, lag_s } = signals.constants;
  const rate = (1 / signals.outlet.step_s).toFixed(0);
  const plateau = `${(plateau_s * 1e3).toFixed(1)} ms`;
  if (perPlateau < 8) {
    flags.push(
      flag(
        'sampling-too-slow',
        `${rate} samples/s put ${perPlateau.toFixed(1)} on the plateau of ${plateau}; at least 8 are needed${perPlateau < 2 ? ', the peak may be missed' : ', the peak is indicative'}.`,
        perPlateau < 1
          ? [
              'peak',
              'surge',
              'surgeOverBefore',
              'equivalentReverseVelocity',
              'seatingStep',
              'velocityAtSeating',
              'anchorLoad',
              'ratingMargin',
            ]
          : ['seatingStep', 'velocityAtSeating'],
      ),
    );
  } else if (perPlateau < 20) {
    flags.push(
      flag(
        'sampling-marginal',
        `${rate} samples/s put ${perPlateau.toFixed(1)} on the plateau of ${plateau}; 20 are recommended.`,
      ),
    );
  }
  if (signals.outlet.repeats > 1) {
    flags.push(
      flag(
        'repeated-values',
        `The outlet repeats its values: polled ${signals.outlet.repeats.toFixed(1)} times as often as it measures, its real rate is ${(signals.outlet.update?.rate_Hz ?? 1 / signals.outlet.step_s).toPrecision(3)} samples/s, ${(100 * (signals.outlet.update?.repeated_ratio ?? 0)).toFixed(0)} % are repeats.`,
      ),
    );
  }
  if (lag_s > 0.1 * plateau_s) {
    flags.push(
      flag(
        'sensor-slow',
        `The outlet sensor answers in ${(lag_s * 1e3).toFixed(1)} ms, the pulse lasts ${plateau}.`,
        lag_s > plateau_s / 2
          ? ['peak', 'surge', 'surgeOverBefore', 'equivalentReverseVelocity', 'anchorLoad', 'ratingMargin']
          : [],
      ),
    );
  }
  if (signals.outlet.clipped_s.length > 0) {
    const near = peak !== null && signals.outlet.clipped_s.some((t) => Math.abs(t - peak.at_s) < 0.005);
    flags.push(
      flag(
        'clipped',
        `${signals.outlet.clipped_s.length} outlet samples are at the end of the measuring range.`,
        near
          ? ['peak', 'surge', 'surgeOverBefore', 'equivalentReverseVelocity', 'anchorLoad', 'ratingMargin']
          : [],
      ),
    );
  }
  const lost =
    signals.outlet.series.lost + (signals.inlet?.series.lost ?? 0) + (signals.meter?.series.lost ?? 0);
  const bad = signals.outlet.bad + (signals.inlet?.bad ?? 0) + (signals.meter?.bad ?? 0);
  if (lost + bad > 0) {
    flags.push(
      flag(
        'samples-lost',
        [lost > 0 ? `${lost} samples lost.` : '', bad > 0 ? `${bad} bad samples left out.` : '']
          .filter(Boolean)
          .join(' '),
      ),
    );
  }
  if (signals.spikes > 0 && (facts.seat === null || signals.constants.ring_s > 24 * signals.outlet.step_s)) {
    flags.push(flag('spikes-removed', `${signals.spikes} single spikes left out.`));
  }
  return flags;
}

/** A trip without a closing: shut gently, or not shut. */
function notClosedFlags(facts: Facts): Flag[] {
  const { signals, trip } = facts;
  if (trip === null) return [flag('did-not-close', 'No closing of a valve was found in this record.')];
  const { time_s } = signals.outlet.samples;
  const last_s = time_s[time_s.length - 1];
  const late = { from_s: Math.max(trip.at_s + 0.5, last_s - 0.5), to_s: last_s };
  const after_s = (last_s - trip.at_s).toFixed(1);
  const flow = signals.meter === null ? null : meanOver(signals.meter.samples, late);
  const difference = signals.inlet === null ? null : meanOver(signals.difference, late);
  const isStill = flow !== null && Math.abs(flow) < 0.25;
  const isHeld = difference !== null && difference > 0.2e5;
  if ((isStill && (difference === null || isHeld)) || (flow === null && isHeld)) {
    return [
      flag(
        'no-measurable-slam',
        `The valve is shut ${after_s} s after the trip, but no pressure step marks its closing.`,
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

function closedFlags(record: EventRecord, facts: Facts, results: LegResults): Flag[] {
  const flags: Flag[] = [];
  const { signals, seat, motion, trip, reversal, peak, static_Pa } = facts;
  if (seat === null) return flags;
  const { plateau_s, ring_s } = signals.constants;
  if (seat.isSoftened === true) {
    flags.push(
      flag(
        'softened-closure',
        `Softened closure: ${((seat.rise_s ?? 0) * 1e3).toFixed(0)} ms rise before seating. The equivalent velocity describes the slam, not the fastest reverse flow.`,
      ),
    );
  } else if (seat.isSoftened === null) {
    flags.push(
      flag(
        'softened-unknown',
        'Sampling or sensor is too slow to distinguish a sharp closure from a softened one.',
      ),
    );
  }
  if (
    signals.meter !== null &&
    isMeasured(results.largestReverseVelocity) &&
    isMeasured(results.decelerationAtReversal)
  ) {
    const lag_s = signals.meter.series.channel.responseTime_s;
    if (
      lag_s >
      (0.1 * results.largestReverseVelocity.value) / Math.max(0.1, results.decelerationAtReversal.value)
    ) {
      flags.push(
        flag(
          'meter-lag-dominates',
          `Meter too slow (${(lag_s * 1e3).toFixed(0)} ms) for reverse flow; used before the trip only.`,
        ),
      );
    }
  }
  flags.push(...cavitation(record, facts));
  const inlet = results.inletReverseVelocity;
  const outlet = results.velocityAtSeating;
  if (isMeasured(inlet) && isMeasured(outlet) && inlet.method.startsWith('fall')) {
    const apart = Math.abs(inlet.value - outlet.value);
    if (
      apart > (inlet.high - inlet.low) / 2 + (outlet.high - outlet.low) / 2 &&
      apart > 0.15 * outlet.value + 0.02
    ) {
      flags.push(
        flag(
          'taps-disagree',
          `Inlet and outlet disagree about the velocity at seating: ${inlet.value.toFixed(2)} and ${outlet.value.toFixed(2)} m/s.`,
        ),
      );
    }
  }
  flags.push(...misaligned(facts));
  flags.push(...tappingLine(facts));
  if (motion !== null && trip !== null && reversal === null) {
    const end = motion.velocity.value[Math.max(0, indexAt(motion.velocity.time_s, seat.at_s) - 1)];
    if (end > 2 * motion.uncertaintyAt(seat.at_s)) {
      flags.push(
        flag('closed-before-reversal', `The valve closed while ${end.toFixed(2)} m/s still ran forward.`, [
          'reversal',
          'largestReverseVelocity',
          'reverseFlowTime',
        ]),
      );
    } else {
      flags.push(
        flag('no-reversal', 'The velocity does not surely pass zero before the seating.', [
          'reversal',
          'reverseFlowTime',
          'decelerationMean',
        ]),
      );
    }
  }
  if (peak !== null && static_Pa !== null && peak.at_s > seat.at_s + 0.75 * ring_s) {
    const { time_s, value } = signals.outlet.samples;
    const [first, end] = range(time_s, {
      from_s: seat.at_s - 2 * signals.outlet.step_s,
      to_s: seat.at_s + plateau_s * 1.2,
    });
    const k = indexOfLargest(value, first, end);
    if (
      k >= 0 &&
      (peak.raw_Pa - static_Pa > 1.05 * (value[k] - static_Pa) || signals.constants.perPlateau >= 8)
    ) {
      flags.push(
        flag(
          'multiple-impacts',
          `The largest peak comes ${((peak.at_s - seat.at_s) * 1e3).toFixed(0)} ms after the first seating: the valve struck again.`,
        ),
      );
    }
  }
  flags.push(...crossChecks(facts));
  return flags;
}
