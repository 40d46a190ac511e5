/** Words and sentences that people read; those of the metrics stand in their table. */
import type { MetricName } from '../../daemon/analysis/metrics.ts';
import { counterRow } from '../../daemon/counters.ts';
import type { LegVerdict, LineStatus, StatusView } from '../../daemon/web/wire.ts';
import { resultPhrase } from './result.ts';
import type { UnitSystem } from './units.ts';

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
  recording: ['Recording', 'The valve has closed; the event stays open until the ringing is over.'],
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

/** What a counter counts; empty for one that this page does not know. */
export function counterMeaning(name: string): string {
  return counterRow(name.split(':')[0] ?? '')?.meaning ?? '';
}

/** Whether a counter counts losses or failures. */
export function isLossCounter(name: string): boolean {
  return (counterRow(name)?.loss ?? 'none') !== 'none';
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
  const phrase = (key: MetricName): string => resultPhrase(key, results[key], system);
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
  'Tripwave is not a safety system. What protects people and plant - relief valves, pressure switch, pump trip - must be hard-wired and act with this computer switched off; never rely on what a page shows.',
  'A loop under pressure stores energy, and a slam comes without warning: keep clear of pipes, valves and anchors while the pump can run or the tank is under pressure.',
  'Lock out, vent and prove zero pressure before any work. A quiet page does not mean a quiet rig.',
  'Local codes and licensed engineers decide about pressure vessels, wiring and stations. A number here is a measurement with an interval, not a permission.',
];
