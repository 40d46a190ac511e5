/** Names, definitions and sentences. Everything a person reads that is not a number. */
import type { LegResults, LegVerdict, LineStatus, StatusView } from '../../daemon/web/wire.ts';
import { resultPhrase } from './result.ts';
import type { UnitSystem } from './units.ts';

export type ResultKey = keyof LegResults;

/** What a number is called and what it means, in words that need no textbook. */
export const meanings: Readonly<Record<ResultKey, readonly [name: string, definition: string]>> = {
  trip: ['Trip', 'The instant at which the pump lost its drive. All other instants are counted from it.'],
  reversal: ['Flow reversal', 'The instant at which the water in the leg stands still before it runs back.'],
  seating: ['Seating', 'The instant at which the valve shuts: the outlet pressure jumps.'],
  approachVelocity: [
    'Flow before trip',
    'Velocity in the leg at the trip: a straight line through the last 0.8 s of the meter.',
  ],
  staticBefore: [
    'Static before',
    'Outlet pressure at the trip, from a straight line through the time before it.',
  ],
  staticAfter: ['Static after', 'Level on which the outlet pressure settles when the ringing has died down.'],
  peakRaw: ['Peak, as sampled', 'Largest sample of the outlet pressure after seating.'],
  peak: ['Peak', 'Largest outlet pressure, corrected for what sampling and sensor cannot show.'],
  minimum: ['Minimum', 'Smallest outlet pressure.'],
  captureFraction: ['Capture', 'The share of a true peak that this sampling rate and this sensor can show.'],
  surgeRaw: ['Surge, as sampled', 'Peak as sampled less static after.'],
  surge: ['Surge over static', 'Peak less static after: the figure the trade speaks of.'],
  surgeOverBefore: ['Surge over static before', 'Peak less the static pressure before the trip.'],
  sag: [
    'Sag',
    'How far the outlet pressure lay below static just before seating, because the column was being slowed.',
  ],
  seatingStep: [
    'Seating step',
    'Outlet pressure just after seating less just before. It stands on the sag, so it is not peak less static.',
  ],
  largestReverseVelocity: [
    'largest',
    'The fastest the water ran backwards, from the impulse of the pressures on the column.',
  ],
  velocityAtSeating: [
    'at seating',
    'How fast it still ran backwards when the valve shut: seating step over density times wave speed.',
  ],
  equivalentReverseVelocity: [
    'Reverse velocity',
    'Equivalent: the velocity whose sudden stop would make this surge. The class is judged by it. For a softened closure it lies between the one at seating and the largest.',
  ],
  inletReverseVelocity: [
    'from the inlet',
    'The same from the pressure before the valve; only a lower bound once the inlet cavitates.',
  ],
  closingTime: ['Closing time', 'From trip to seating.'],
  reverseFlowTime: ['Reverse flow lasted', 'From flow reversal to seating.'],
  stopTime: ['Column stopped in', 'From trip to flow reversal: how long the column took to come to rest.'],
  discTravelTime: [
    'Disc travel',
    'From first movement of the disc to seating, where its position is measured.',
  ],
  decelerationAtReversal: [
    'at reversal',
    'How fast the column was losing velocity when it stood still: 20 ms mean round the reversal.',
  ],
  decelerationMean: [
    'Mean deceleration',
    'Flow before trip over the time to reversal: how hard the column was slowed. At reversal it is usually 30 to 50 % more.',
  ],
  decelerationMeter: ['by the meter', 'Deceleration from the lag-corrected meter, as a cross-check.'],
  waveSpeed: [
    'Wave speed',
    'Speed of pressure waves, from the ringing or from the front between two taps, whichever is surer; a low one hints at free gas.',
  ],
  ringFrequency: ['Ringing', 'Frequency of the pressure ringing after seating.'],
  ringDecay: ['Ring decay', 'Time in which the ringing falls to a third (1/e).'],
  reopenings: ['Re-openings', 'How often the valve let go of its seat again.'],
  anchorLoad: [
    'Anchor load',
    'Largest pressure difference over the shut valve times bore area: what the anchors had to hold.',
  ],
  ratingMargin: ['Margin to rating', 'Pressure rating of pipe or valve, whichever is lower, less the peak.'],
};

/** Plain names of figures that have more than one definition. */
export const quantityWords: Readonly<
  Record<NonNullable<LegVerdict['definitions']>[number]['quantity'], string>
> = {
  static: 'Static pressure',
  peak: 'Peak',
  surge: 'Surge',
  reverseVelocity: 'Reverse velocity',
  closingTime: 'Closing time',
  deceleration: 'Deceleration',
};

const phases: Readonly<Record<StatusView['phase'], readonly [word: string, meaning: string]>> = {
  waiting: ['Waiting', 'The pump is at rest.'],
  filling: ['Filling', 'The pump fills the tank; the trapped air is being compressed.'],
  running: ['Running', 'The pump runs.'],
  tripped: ['Tripped', 'The pump has lost its drive.'],
  recording: ['Recording', 'The valve has closed; the event stays open until the ringing has died down.'],
  analysing: ['Analysing', 'The record is closed; its verdict is being made.'],
  fault: ['Fault', 'The recorder cannot measure; see above.'],
  'recorder-gone': ['No recorder', 'Nothing here is live.'],
};

export function phaseWords(phase: StatusView['phase']): readonly [word: string, meaning: string] {
  return phases[phase];
}

/** State of a line, to stand before `since 14:03:27`. */
export const linkWords: Readonly<Record<LineStatus['link']['state'], string>> = {
  opening: 'Being opened',
  open: 'Open',
  reconnecting: 'Interrupted',
  absent: 'No device',
  busy: 'Held by another program',
  denied: 'Not allowed',
  silent: 'Open but silent',
  ended: 'At its end',
  stopped: 'Stopped',
};

/** `requestsTimedOut:machine` -> `requests timed out: machine`. */
export function counterWords(name: string): string {
  return name.replaceAll(/([A-Z])/g, (letter) => ` ${letter.toLowerCase()}`).replace(':', ': ');
}

/** Whether a counter tells of something that is gone or went wrong. */
export function isLossCounter(name: string): boolean {
  return /(Lost|Dropped|Discarded|Failed|Skipped|Refused|Rejected)$/.test(name);
}

/** `trip in about 6 s`: whole seconds, and never more certain than it is. */
export function tripInWords(tripIn_s: number): string {
  if (tripIn_s < 1) return 'trip any moment';
  const rounded = tripIn_s < 20 ? Math.round(tripIn_s) : Math.round(tripIn_s / 5) * 5;
  return rounded < 120 ? `trip in about ${rounded} s` : `trip in about ${Math.round(rounded / 60)} min`;
}

/** That second, for someone who cannot see it drawn. */
export function shapeSentence(leg: LegVerdict, system: UnitSystem): string {
  const { results } = leg;
  const phrase = (key: ResultKey): string => resultPhrase(key, results[key], system);
  const parts: string[] = [];
  if (results.approachVelocity.value !== null)
    parts.push(`The velocity is ${phrase('approachVelocity')} at the trip`);
  if (results.reversal.value !== null) parts.push(`falls to zero at ${phrase('reversal')}`);
  if (results.largestReverseVelocity.value !== null) {
    const lasted = results.reverseFlowTime.value === null ? '' : ` for ${phrase('reverseFlowTime')}`;
    parts.push(`runs backwards${lasted}, at most ${phrase('largestReverseVelocity')}`);
  }
  if (results.seating.value !== null) parts.push(`and is stopped at ${phrase('seating')}`);
  const pressure =
    results.surge.value === null || results.peak.value === null
      ? 'The surge is withheld.'
      : `The outlet pressure then jumps ${phrase('surge')} over static, to ${phrase('peak')}.`;
  return parts.length === 0 ? pressure : `${parts.join(', ')}. ${pressure}`;
}

/** The words that must stand where people act. */
export const cautions: readonly string[] = [
  'Tripwave is not a safety system. What protects people and plant - relief valves, pressure switch, pump trip - has to be wired by itself and to act with this computer switched off; never rely on what a page shows.',
  'A loop under pressure stores energy, and a slam comes without warning: keep clear of pipes, valves and anchors while the pump can run or the tank is under pressure.',
  'Lock out, vent and prove zero pressure before any work. A quiet page does not mean a quiet rig.',
  'Local codes and licensed engineers decide about pressure vessels, wiring and stations. A number here is a measurement with an interval, not a permission.',
];
