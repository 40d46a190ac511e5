/** One plain sentence per leg for somebody who has never seen a check valve, built from the numbers. */
import type { Facts } from '../finding/facts.ts';
import { isMeasured } from '../result.ts';
import type { Flag, LegResults, LegVerdict } from '../verdict.ts';
import { risenText } from './flags.ts';
import { isPeakOpen, lackWords } from './reasons.ts';

/** The sentence, in m/s and s whatever the screen uses. `flags` decide what kind of story it is; `facts` null: no usable outlet. */
export function sentenceOf(
  facts: Facts | null,
  results: LegResults,
  severity: LegVerdict['severity'],
  flags: readonly Flag[],
): string {
  const has = (code: Flag['code']) => flags.some((flag) => flag.code === code);
  if (facts === null) return 'No usable outlet pressure on this leg.';
  if (has('leg-idle')) return 'No water was flowing through this leg.';
  if (has('taps-swapped'))
    return 'The outlet fell where it should have risen: outlet and inlet are probably swapped.';
  if (has('did-not-close')) return 'The pump tripped, but the valve did not close within this record.';
  if (has('no-measurable-slam')) return `The valve is shut, its closing not located. ${risenText(facts)}`;
  if (facts.seat === null) return 'No closing of the valve was found in this record.';
  const words = severity.words;
  if (facts.seat.hidden !== null || isPeakOpen(facts)) return torn(facts, results, severity);
  const reverse = results.equivalentReverseVelocity;
  if (has('response-time-differs') && !isMeasured(reverse))
    return 'The valve closed; the outlet sensor may be too slow to say how hard.';
  if (has('closed-before-reversal'))
    return `The valve closed while the water was still flowing forward: ${words}.`;
  if (facts.seat.isSoftened === true) return softened(results, words);
  if (!isMeasured(reverse)) {
    return 'The valve closed with a pressure step, but this record is too coarse to measure the reverse flow.';
  }
  if (severity.class === 'none') {
    const { reverseFlowTime: time } = results;
    const near = isMeasured(time) ? `within ${milliseconds(time.value)} of reversal` : 'almost at reversal';
    return `The valve shut ${near}, at ${speed(reverse.value)} of reverse flow: ${words}.`;
  }
  return `Reverse flow of ${speed(reverse.value)} was stopped ${stopTime(facts)}: ${words}.`;
}

/** What holds in spite of missing samples. */
function torn(facts: Facts, results: LegResults, { class: kind, words }: LegVerdict['severity']): string {
  const { surge } = results;
  const lack = lackWords(facts);
  const at = facts.seat?.hidden == null ? 'right after the seating' : 'at the seating';
  if (!isMeasured(surge)) return `${capital(lack)} ${at}: ${words.replace(`: ${lack} at the seating`, '')}.`;
  const size = `${surge.bound === 'lower' ? 'at least ' : ''}${(Math.max(0, surge.low) / 1e5).toFixed(1)} bar`;
  const verdict = kind === 'unknown' ? 'not judged' : words.replace(`: ${lack} at the seating`, '');
  return `The surge was ${size}: ${lack} ${at}; ${verdict}.`;
}

function capital(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

function softened(results: LegResults, words: string): string {
  const { reverseFlowTime, largestReverseVelocity, velocityAtSeating } = results;
  const time =
    isMeasured(reverseFlowTime) && reverseFlowTime.value >= 0.001
      ? ` for ${duration(reverseFlowTime.value)}`
      : '';
  const most = isMeasured(largestReverseVelocity) ? `, at up to ${speed(largestReverseVelocity.value)}` : '';
  const rest = isMeasured(velocityAtSeating) ? `, ${speed(velocityAtSeating.value)} was left at seating` : '';
  return `The water ran back${time}${most}; the closing valve absorbed most of it${rest}: ${words}.`;
}

/** How fast it was stopped; sampling and sensor give the least that can be told. */
function stopTime(facts: Facts): string {
  const { seat, signals } = facts;
  const least_s = Math.max(3 * signals.constants.lag_s, 2 * signals.outlet.step_s);
  if (seat === null || seat.rise_s === null)
    return `within ${milliseconds(Math.max(least_s, signals.outlet.step_s))}`;
  return seat.rise_s > least_s ? `in ${milliseconds(seat.rise_s)}` : `in less than ${milliseconds(least_s)}`;
}

function milliseconds(time_s: number): string {
  return `${Math.max(1, Math.ceil(time_s * 1e3))} ms`;
}

function speed(value_mps: number): string {
  return `${value_mps.toFixed(2)} m/s`;
}

/** A duration in the words of everyday life where it is near to one. */
function duration(time_s: number): string {
  const everyday: readonly (readonly [number, string])[] = [
    [0.1, 'a tenth of a second'],
    [0.2, 'a fifth of a second'],
    [0.25, 'a quarter of a second'],
    [1 / 3, 'a third of a second'],
    [0.5, 'half a second'],
    [1, 'a second'],
  ];
  for (const [value_s, words] of everyday) if (Math.abs(time_s / value_s - 1) < 0.08) return words;
  return time_s < 1 ? `${Math.round(time_s * 1e3)} ms` : `${time_s.toFixed(1)} s`;
}
