/** Why a result is withheld, each reason in one place. Facts that several results rest on are missing for all of them alike. */
import type { Facts } from '../finding/facts.ts';
import { withheld } from '../result.ts';

export const noTrip = withheld('the instant of the trip is not known');
export const noSeating = withheld('no closing of the valve was found in this record');
export const noMotion = withheld('the flow cannot be followed: the trip or the settled level is missing');
export const noReversal = withheld('no reversal of the flow was found');
export const unsettled = withheld('the record ends before the outlet settles');
export const noInlet = withheld('there is no inlet tap in this leg');
export const noMeter = withheld('there is no meter in this leg');
export const noPosition = withheld('the disc position is not measured');
export const noRating = withheld('neither the pipe nor the valve has a rating in the configuration');

/** The step at the seating takes eight samples on the plateau. */
export function stepUnseen({ signals }: Facts) {
  return withheld(
    `${signals.constants.perPlateau.toFixed(1)} samples on the plateau of 2L/a do not show the step: 8 are needed`,
  );
}

/** Why the velocity is not seen to cross zero, where there is a seating. */
export function reversalUnseen({ trip, motion }: Facts) {
  if (trip === null)
    return withheld('the instant of the trip is not known, so the flow cannot be followed from it');
  if (motion === null)
    return withheld('the record ends before the outlet settles, so the flow cannot be followed');
  return withheld(
    'the velocity does not fall through zero before the seating: the valve closed before reversal, or within the resolution of it',
  );
}

/** Whether the largest sample stands at the top of the measuring range. */
export function isCutOff({ signals: { outlet }, peak }: Facts): boolean {
  if (peak === null) return false;
  const nearPeak_s = Math.max(outlet.step_s * 2, 0.002);
  const isClipped = outlet.clipped_s.some((t) => Math.abs(t - peak.at_s) < nearPeak_s);
  return isClipped || peak.raw_Pa > outlet.series.channel.range[1];
}

/** Why no corrected peak is given; null when one can be. */
export function peakUnseen(facts: Facts) {
  const { signals, peak } = facts;
  const { perPlateau, lag_s, plateau_s } = signals.constants;
  if (peak === null) return noSeating;
  if (isCutOff(facts)) {
    return withheld(
      'the outlet reading is clipped at its peak: the true peak is higher than the largest sample',
    );
  }
  const plateau = `${(plateau_s * 1e3).toFixed(1)} ms`;
  if (perPlateau < 1) {
    return withheld(
      `fewer than one sample falls on the plateau of 2L/a (${plateau}): the peak may be missed altogether`,
    );
  }
  if (lag_s > plateau_s / 2) {
    return withheld(
      `the outlet sensor answers in ${(lag_s * 1e3).toFixed(1)} ms, the pulse lasts ${plateau}`,
    );
  }
  return null;
}

/** `44 ms of samples missing`: the stretch that matters for the closing. */
export function lackWords({ reach, seat }: Facts): string {
  const hole = reach?.hole ?? seat?.hidden ?? null;
  return `${hole === null ? 'some' : milliseconds(hole.to_s - hole.from_s)} of samples missing`;
}

/** `4.2 ms`, `44 ms`. */
export function milliseconds(time_s: number): string {
  const time_ms = 1e3 * time_s;
  return `${time_ms < 10 ? time_ms.toFixed(1) : time_ms.toFixed(0)} ms`;
}

/**
 * Whether missing samples leave the peak open: a higher pressure than the largest sample may lie in them, by more than a
 * tenth of the surge.
 */
export function isPeakOpen({ reach, peak, static_Pa }: Facts): boolean {
  if (reach === null || !reach.isPeakHidden || peak === null || static_Pa === null) return false;
  return reach.top_Pa - peak.raw_Pa > 0.1 * Math.max(0, peak.raw_Pa - static_Pa);
}
