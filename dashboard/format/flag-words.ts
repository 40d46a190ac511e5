/** What each flag is called in a list, and what it means to whoever reads the verdict. */
import type { LegVerdict } from '../../daemon/web/wire.ts';

export type FlagCode = LegVerdict['flags'][number]['code'];

/** Short label and one sentence, by code; the flag's own text carries the figures. */
export const flagWords: Readonly<Record<FlagCode, readonly [label: string, meaning: string]>> = {
  'sampling-too-slow': [
    'Sampling too slow',
    'Too few samples fall on the plateau of the slam to trust its peak.',
  ],
  'sampling-marginal': ['Sampling marginal', 'The plateau of the slam is resolved, but only just.'],
  'repeated-values': [
    'Repeated values',
    'The device is polled more often than it measures; its own rate is used.',
  ],
  'sensor-slow': ['Slow sensor', 'The response time of the sensor hides part of the peak.'],
  clipped: ['Clipped', 'Samples are at an end of the measuring range: the true value is beyond it.'],
  'meter-lag-dominates': ['Slow meter', 'The flow meter is slower than the flow changes.'],
  'samples-lost': ['Samples lost', 'The record has gaps.'],
  'samples-missing': ['Samples missing', 'Figures there are bounds. Check the line for lost replies.'],
  'softened-closure': ['Softened closure', 'The valve throttled before it shut: no sudden stop.'],
  'softened-unknown': ['Closure unclear', 'Too slow to distinguish a sudden stop from a softened one.'],
  'cavitation-suspected': ['Cavitation', 'A tap fell to the vapour pressure of the water.'],
  'taps-disagree': ['Taps disagree', 'Inlet and outlet give different velocities at seating.'],
  'taps-swapped': ['Taps swapped', 'Outlet and inlet look exchanged.'],
  'instruments-misaligned': ['Clocks disagree', 'An instrument is early or late against the others.'],
  'tapping-line-rings': ['Tapping line rings', 'The line to the sensor rings: check it for gas.'],
  'response-time-differs': [
    'Sensor slower',
    'The outlet sensor is slower than the rig file says, or may be: check its damping and impulse line.',
  ],
  'response-time-assumed': [
    'Response assumed',
    'The rig file does not say how fast an instrument is: state it.',
  ],
  'fit-poor': [
    'Front unexplained',
    'The front at seating is no sharp closing: gas, a moving pipe or a branch.',
  ],
  'mains-hum': [
    'Mains hum',
    'Hum of the mains was taken out of a pressure: check shield and earth of its cable.',
  ],
  'valve-leaks': ['Valve leaks', 'Water runs back through the shut valve: check seat and disc.'],
  'no-reversal': ['No reversal', 'No clear reversal of the flow before seating.'],
  'did-not-close': ['Did not close', 'No seating was found.'],
  'no-measurable-slam': ['Closing not located', 'The valve is shut, but no pressure step marks when.'],
  'multiple-impacts': ['Several impacts', 'The valve struck its seat more than once.'],
  'spikes-removed': ['Spikes removed', 'Single samples that no wave could make were left out.'],
  'closed-before-reversal': ['Closed early', 'The valve shut while water still ran forward.'],
  'wave-speed-differs': [
    'Wave speed differs',
    'The ringing does not fit the configured wave speed or length.',
  ],
  'momentum-imbalance': [
    'Momentum off',
    'Pressure and change of velocity do not fit: check leg length, bore and scale of the meter.',
  ],
  'meter-lag-differs': [
    'Meter lag differs',
    'The meter decays faster or slower than its configured response time.',
  ],
  'statics-differ': ['Static levels differ', 'Legs that end in the same tank settle at different levels.'],
  'tank-rise-differs': ['Tank rise differs', 'The tank rises faster or slower than the meters account for.'],
  'no-contact': ['No trip contact', 'The instant of the trip comes from the pressure and is less certain.'],
  'no-meter': ['No flow meter', 'The velocity before the trip comes from the pressure.'],
  'no-inlet': ['No inlet tap', 'No second measurement upstream of the valve.'],
  'no-tank': ['No tank pressure', 'The level behind the column is estimated.'],
  'leg-idle': ['Idle', 'No water was flowing through this leg.'],
};

/** Label of a flag; a code of newer software is shown as it is. */
export function flagLabel(code: string): string {
  return Object.hasOwn(flagWords, code) ? flagWords[code as FlagCode][0] : code.replaceAll('-', ' ');
}
