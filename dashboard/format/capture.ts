/** Whether a leg's peaks can be seen: said before the first trip, from the rig file alone. */
import type { SamplingView } from '../../daemon/web/wire.ts';
import { formatNumber } from './number.ts';

export interface CaptureWords {
  readonly text: string;
  /** The arithmetic behind it. */
  readonly why: string;
  /** Whether numbers will be missing or only indicative. */
  readonly isTrouble: boolean;
}

/** Up to so much of the plateau a sensor may need before its peaks read low, and before they are withheld. */
const slowShare = 0.1;
const tooSlowShare = 0.5;
const samples = { needed: 8, recommended: 20 } as const;

export function captureWords(sampling: SamplingView): CaptureWords {
  const { rate_Hz, needed_Hz, recommended_Hz, plateau_s, responseTime_s } = sampling;
  const gets = `Sampling ${whole(rate_Hz)}/s (minimum ${whole(Math.ceil(needed_Hz))})`;
  const lag = responseTime_s / plateau_s;
  const answers = `the sensor responds in ${ms(responseTime_s)}, the pulse lasts ${ms(plateau_s)}`;
  const why =
    `Between the step at the tap and its echo lie 2 (L − x)/a = ${ms(plateau_s)}: ` +
    `${formatNumber(sampling.samples, sampling.samples < 20 ? 1 : 0)} samples, ${samples.needed} needed, ` +
    `${samples.recommended} recommended (${whole(Math.ceil(recommended_Hz))} samples/s). ` +
    `The sensor responds in ${ms(responseTime_s)}, ${formatNumber(100 * lag, 0)} % of that; up to 10 % is quick enough.`;
  if (sampling.samples < samples.needed)
    return { text: `${gets}: peak indicative only.`, why, isTrouble: true };
  if (lag > tooSlowShare) return { text: `${gets}, but ${answers}: no peak.`, why, isTrouble: true };
  if (lag > slowShare) return { text: `${gets}, but ${answers}: peaks read low.`, why, isTrouble: true };
  const how = sampling.samples < samples.recommended ? ': peaks with a wider interval' : '';
  return { text: `${gets}${how}.`, why, isTrouble: false };
}

function whole(value: number): string {
  return formatNumber(value, value < 10 ? 1 : 0);
}

function ms(value_s: number): string {
  return `${formatNumber(value_s * 1000, 1)}\u202fms`;
}
