/** Effects of instruments, contacts and lines: each changes what is shown of a plant that is as it was. */
import type { RigSpec } from '../rig-spec.ts';
import type { SensorSpec } from '../sensors.ts';
import { asMeterReads, type Effect, meters, pressures, withSensors } from './effect.ts';

const detailed = (sensor: SensorSpec, more: SensorSpec['details']): SensorSpec => ({
  ...sensor,
  details: { ...sensor.details, ...more },
});

/** An effect on the pressure transmitters of the legs, strength as it stands. */
function onPressures(
  row: Omit<Effect, 'apply'>,
  change: (sensor: SensorSpec, strength: number) => SensorSpec,
  signals: readonly SensorSpec['signal'][] = pressures,
): Effect {
  return {
    ...row,
    apply: (rig, strength, legs) => withSensors(rig, legs, signals, (sensor) => change(sensor, strength)),
  };
}

/** An effect on the flow meters; `change` gets the rig too, for meters that show flow. */
function onMeters(
  row: Omit<Effect, 'apply'>,
  change: (sensor: SensorSpec, strength: number, rig: RigSpec) => SensorSpec,
): Effect {
  return {
    ...row,
    apply: (rig, strength, legs) => withSensors(rig, legs, meters, (sensor) => change(sensor, strength, rig)),
  };
}

const pressureEffects: readonly Effect[] = [
  onPressures(
    {
      name: 'transmitter-lag',
      unit: 'ms',
      range: [0.1, 1000],
      scale: [2, 5, 20, 100],
      what: 'pressure transmitters damped by this first-order response time',
      does: 'fronts are cut: surge and velocities read low, down to "no slam"',
      source:
        'first-order element; transmitters of the process trade are set to 0.1 s and more (common practice)',
    },
    (sensor, strength) => ({ ...sensor, lag_s: strength / 1e3 }),
  ),
  onPressures(
    {
      name: 'two-lags',
      unit: 'ms',
      range: [0.1, 500],
      scale: [1.5, 4, 12, 50],
      what: 'pressure transmitters with two first-order elements in series (sensor and filter), each this slow',
      does: 'as a lag, with a front that begins flat and seems late',
      source: 'two first-order elements in series: any book on measurement',
    },
    (sensor, strength) => detailed({ ...sensor, lag_s: strength / 1e3 }, { secondLag_s: strength / 1e3 }),
  ),
  onPressures(
    {
      name: 'pressure-dead-time',
      unit: 'ms',
      range: [0.1, 1000],
      scale: [2, 8, 25, 80],
      what: 'pressures are shown so much later than they were (sampling, telegrams)',
      does: 'instants from pressure are late, those of contact and meter are not',
      source: 'common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { deadTime_s: strength / 1e3 }),
  ),
  onPressures(
    {
      name: 'ringing-line',
      unit: 'Hz',
      range: [20, 2000],
      scale: [300, 200, 130, 80],
      what: 'impulse line of the outlet tap that rings at this frequency, 5 % damped (trapped air, long line)',
      does: 'overshoots: surge and velocity read up to twice too high, "multiple impacts"',
      source:
        'liquid column on a gas spring, hydraulics/tapping-line.ts; damping 0.05: common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { line: { frequency_Hz: strength, damping_ratio: 0.05 } }),
    ['outlet'],
  ),
  onPressures(
    {
      name: 'hum',
      unit: 'mbar',
      range: [1, 5000],
      scale: [50, 100, 200, 300],
      what: 'mains hum of this amplitude on the outlet, with a fifth of it at twice and a third at three times the frequency',
      does: 'peaks read high, the trip and small slams hide',
      source: 'common practice, no source',
    },
    (sensor, strength) => detailed({ ...sensor, hum: strength * 100 }, { humHarmonics: [0.2, 0.33] }),
    ['outlet'],
  ),
  onPressures(
    {
      name: 'pump-ripple',
      unit: 'mbar',
      range: [1, 5000],
      scale: [30, 100, 200, 300],
      what: 'pressure pulses of a pump with seven blades, of this amplitude at rated speed, until it loses drive',
      does: 'noise before the trip is large: small slams are called not measurable',
      source: 'blade passing frequency = blades x speed; amplitude: common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { ripple: { amplitude: strength * 100, blades: 7 } }),
  ),
  onPressures(
    {
      name: 'outlet-lost',
      unit: 'ms',
      range: [1, 2000],
      scale: [5, 20, 50, 105],
      what: 'the loop of the outlet transmitter is open for so long from the reversal of the flow on: low end of the range',
      does: 'the front is not in the record',
      source: 'common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { openLoop_s: strength / 1e3 }),
    ['outlet'],
  ),
];

const meterEffects: readonly Effect[] = [
  onMeters(
    {
      name: 'meter-slow',
      unit: 's',
      range: [0.01, 20],
      scale: [0.6, 0.9, 1.5, 2.5],
      what: 'flow meter damped by this first-order response time',
      does: 'approach velocity too low where the run before the trip was short; reversal late, "did not close"',
      source: 'damping of electromagnetic meters, 0.1 s to several: common practice, no source',
    },
    (sensor, strength) => ({ ...sensor, lag_s: strength }),
  ),
  onMeters(
    {
      name: 'meter-rate-limit',
      unit: 'm/s2',
      range: [0.1, 100],
      scale: [12, 6, 3, 1.5],
      what: 'flow meter whose reading changes by no more than this',
      does: 'deceleration and reversal from the meter are those of the limit',
      source: 'common practice, no source',
    },
    (sensor, strength, rig) => detailed(sensor, { slewRate_perS: asMeterReads(rig, sensor, strength) }),
  ),
  onMeters(
    {
      name: 'meter-one-sided',
      unit: '% lost',
      range: [1, 100],
      scale: [25, 50, 75, 100],
      what: 'flow meter that shows reverse flow too small by this share (100: not at all)',
      does: 'no reversal from the meter',
      source: 'turbine meters cannot tell direction: common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { oneSided_ratio: strength / 100 }),
  ),
  onMeters(
    {
      name: 'meter-cut-off',
      unit: 'm/s',
      range: [0.001, 2],
      scale: [0.03, 0.1, 0.2, 0.4],
      what: 'flow meter that shows 0 below this',
      does: 'its zero seems perfect, its reading jumps near reversal',
      source: 'low-flow cut-off of process meters: common practice, no source',
    },
    (sensor, strength, rig) => detailed(sensor, { cutOff: asMeterReads(rig, sensor, strength) }),
  ),
  onMeters(
    {
      name: 'meter-filter',
      unit: 's',
      range: [0.01, 20],
      scale: [0.2, 0.5, 1, 2],
      what: 'flow meter with a moving mean of so long behind its response',
      does: 'as a lag, but with a sharp end: the lag found from its tail is wrong',
      source: 'common practice, no source',
    },
    (sensor, strength) => detailed(sensor, { average_s: strength }),
  ),
  onMeters(
    {
      name: 'meter-scale',
      unit: '%',
      range: [-50, 50],
      scale: [2, 4, 6, 8],
      what: 'flow meter that reads so much too high',
      does: 'approach velocity and deceleration from the meter too high',
      source: 'common practice, no source',
    },
    (sensor, strength) => ({ ...sensor, gain_ratio: sensor.gain_ratio * (1 + strength / 100) }),
  ),
  onMeters(
    {
      name: 'meter-zero',
      unit: 'm/s',
      range: [-1, 1],
      scale: [0.02, 0.05, 0.08, 0.12],
      what: 'flow meter whose zero stands off by this',
      does: 'all its velocities are off, a leak seems to be there',
      source: 'common practice, no source',
    },
    (sensor, strength, rig) => ({ ...sensor, offset: sensor.offset + asMeterReads(rig, sensor, strength) }),
  ),
  onMeters(
    {
      name: 'meter-dead-time',
      unit: 'ms',
      range: [1, 5000],
      scale: [30, 60, 100, 150],
      what: 'flow is shown so much later than it was',
      does: 'reversal from the meter late',
      source: 'electromagnetic meters: delays of 10 ms and more, and a telegram (from memory)',
    },
    (sensor, strength) => detailed(sensor, { deadTime_s: strength / 1e3 }),
  ),
];

/** The run contact opens so long after the drive is lost; negative: before. */
const contact = (row: Omit<Effect, 'apply'>, sign: 1 | -1): Effect => ({
  ...row,
  apply: (rig, strength) => {
    const delay_s = (sign * strength) / 1e3;
    return { ...rig, cycle: { ...rig.cycle, contactDelay_s: [delay_s, delay_s] } };
  },
});

const lineEffects: readonly Effect[] = [
  contact(
    {
      name: 'contact-early',
      unit: 'ms',
      range: [1, 5000],
      scale: [10, 20, 40, 60],
      what: 'the run contact opens so long before the drive is lost (stop command, slow contactor)',
      does: 'the trip is found early, the closing time is too long',
      source: 'common practice, no source',
    },
    -1,
  ),
  contact(
    {
      name: 'contact-late',
      unit: 'ms',
      range: [1, 5000],
      scale: [32, 45, 60, 120],
      what: 'the run contact opens so long after the drive is lost (scan of a controller)',
      does: 'the trip is found late',
      source: 'common practice, no source',
    },
    1,
  ),
  {
    name: 'samples-lost',
    unit: 'ms',
    range: [1, 5000],
    scale: [5, 20, 50, 105],
    what: 'every line is silent for so long from the reversal of the flow on',
    does: 'the seating may lie in the gap: a gap is read as a slow rise',
    source: 'common practice, no source',
    apply: (rig, strength) => ({ ...rig, silence_s: strength / 1e3 }),
  },
  {
    name: 'replies-lost',
    unit: '%',
    range: [0.1, 99],
    scale: [1, 5, 20, 50],
    what: 'this share of polls stays without a reply, this share of frames never arrives',
    does: 'samples are missing here and there, also at the seating',
    source: 'common practice, no source',
    apply: (rig, strength) => ({ ...rig, lost_ratio: strength / 100 }),
  },
];

export const instrumentEffects: readonly Effect[] = [...pressureEffects, ...meterEffects, ...lineEffects];
