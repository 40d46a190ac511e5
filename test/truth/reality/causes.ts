/** Which flags name an effect rightly, and which may be raised on it without blaming anything. */
import type { FlagCode } from './case.ts';

/**
 * Codes that lead a person to the effect. A code that is not there yet may stand here: the list is what the words of the
 * flags must come to. All others that accuse something are wrong causes.
 */
export const rightCauses: Readonly<Record<string, readonly FlagCode[]>> = {
  'plastic-wall': ['wave-speed-differs', 'reflections-found', 'fit-poor', 'momentum-imbalance'],
  branch: ['reflections-found', 'fit-poor', 'wave-speed-differs', 'momentum-imbalance'],
  'section-change': ['reflections-found', 'fit-poor', 'wave-speed-differs', 'momentum-imbalance'],
  'gas-pocket': ['gas-pocket-suspected', 'reflections-found', 'fit-poor', 'wave-speed-differs'],
  'moving-body': ['body-moves', 'fit-poor', 'reflections-found', 'momentum-imbalance'],
  leak: ['valve-leaks', 'momentum-imbalance'],
  'disc-bounce': ['multiple-impacts'],
  'end-inertia': ['wave-speed-differs', 'momentum-imbalance', 'inertia-differs'],
  'column-separation': ['cavitation-suspected', 'multiple-impacts', 'column-separation'],
  'suction-pipe': ['inlet-pipe-differs', 'taps-disagree', 'wave-speed-differs'],
  'transmitter-lag': ['sensor-slow', 'response-time-differs', 'fit-poor'],
  'two-lags': ['sensor-slow', 'response-time-differs', 'fit-poor'],
  'pressure-dead-time': ['instruments-misaligned', 'contact-knee-apart'],
  'ringing-line': ['tapping-line-rings', 'fit-poor'],
  hum: ['mains-hum', 'noise-high'],
  'pump-ripple': ['pump-ripple', 'noise-high'],
  'outlet-lost': ['clipped', 'samples-missing', 'samples-lost', 'samples-bad'],
  'meter-slow': ['meter-lag-differs', 'meter-lag-dominates', 'meter-slow'],
  'meter-rate-limit': ['meter-lag-differs', 'meter-lag-dominates', 'meter-slow', 'meter-rate-limited'],
  'meter-one-sided': ['meter-one-sided', 'meter-lag-differs', 'meter-lag-dominates'],
  'meter-cut-off': ['meter-cut-off', 'meter-lag-differs', 'meter-lag-dominates'],
  'meter-filter': ['meter-lag-differs', 'meter-lag-dominates', 'meter-slow', 'instruments-misaligned'],
  'meter-scale': ['momentum-imbalance', 'tank-rise-differs', 'meter-scale-differs'],
  'meter-zero': ['meter-zero', 'momentum-imbalance', 'tank-rise-differs', 'valve-leaks'],
  'meter-dead-time': ['instruments-misaligned', 'meter-lag-differs', 'meter-lag-dominates'],
  'contact-early': ['instruments-misaligned', 'contact-knee-apart'],
  'contact-late': ['instruments-misaligned', 'contact-knee-apart'],
  'samples-lost': ['samples-missing', 'samples-lost', 'softened-unknown'],
  'replies-lost': ['samples-missing', 'samples-lost', 'softened-unknown'],
};

/** Codes that blame nothing: what a channel or a rate costs, and what a record does not hold. */
const blameless: readonly FlagCode[] = [
  'sampling-too-slow',
  'sampling-marginal',
  'softened-unknown',
  'no-contact',
  'no-meter',
  'no-inlet',
  'no-tank',
  'leg-idle',
];

/** Flags of a record with an effect, less those of the same record without it. */
export interface Blame {
  readonly isRight: boolean;
  /** Codes that accuse something else. */
  readonly wrong: readonly FlagCode[];
}

export function blameOf(
  effect: string,
  flags: readonly FlagCode[],
  withoutEffect: readonly FlagCode[],
): Blame {
  const right = rightCauses[effect] ?? [];
  const more = flags.filter((code) => !withoutEffect.includes(code));
  return {
    // A flag that the same rig raises without the effect says nothing of it.
    isRight: more.some((code) => right.includes(code)),
    wrong: more.filter((code) => !right.includes(code) && !blameless.includes(code)),
  };
}
