/** Cross-checks: each wrong thing raises the flag that is meant for it; a right configuration raises none. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../../../daemon/analysis/record.ts';
import type { Flag } from '../../../../daemon/analysis/verdict.ts';
import { drawTrip } from '../../../support/accuracy.ts';
import { simulateTrip } from '../../../support/simulate-trip.ts';
import { plainLeg, syntheticEvent, syntheticSeating_s } from '../../../support/synthetic-leg.ts';
import { exactKnowledge, recordOf } from '../../../support/trip-record.ts';
import { wrongs } from '../../../truth/wrong.ts';

const options = { revision: 1, software: 'test', reason: 'unit' };

function codes(record: EventRecord): Flag['code'][] {
  return analyse(record, options).legs[0].flags.map(({ code }) => code);
}

/** A spring-loaded valve that shuts sharply, everything exactly known. */
const { spec, sensors, random } = drawTrip(100_001);
const simulated = simulateTrip(spec, { rate_Hz: 1000, sensors, random });
const right = recordOf(simulated, spec, sensors, exactKnowledge(sensors));

const accusing: readonly Flag['code'][] = [
  'wave-speed-differs',
  'momentum-imbalance',
  'meter-lag-differs',
  'instruments-misaligned',
  'taps-swapped',
  'taps-disagree',
];

describe('one wrong thing', () => {
  test('nothing wrong: no flag accuses the configuration', () => {
    expect(codes(right).filter((code) => accusing.includes(code))).toEqual([]);
  });

  test.each<[string, Flag['code']]>([
    ['meter lag x 2', 'meter-lag-differs'],
    ['wave speed +10 %', 'wave-speed-differs'],
    ['wave speed -10 %', 'wave-speed-differs'],
    ['leg length +10 %', 'momentum-imbalance'],
    ['leg length -10 %', 'momentum-imbalance'],
    ['bore +10 % (flow meter)', 'momentum-imbalance'],
    ['meter scale -10 %', 'momentum-imbalance'],
    ['taps swapped', 'taps-swapped'],
    ['outlet 20 ms late', 'instruments-misaligned'],
    ['inlet 20 ms late', 'instruments-misaligned'],
    ['meter 20 ms late', 'instruments-misaligned'],
    ['contact 20 ms late', 'instruments-misaligned'],
  ])('%s: %s', (name, code) => {
    expect(codes(wrongs[name](right))).toContain(code);
  });

  test('a tank 40 ms late or early is heard by when the water squeezes its air', () => {
    const moved = (by_s: number): EventRecord =>
      right.tank === null
        ? right
        : { ...right, tank: { ...right.tank, time_s: right.tank.time_s.map((t) => t + by_s) } };
    expect(codes(moved(0.04))).toContain('instruments-misaligned');
    expect(codes(moved(-0.04))).toContain('instruments-misaligned');
    expect(codes(moved(0.002))).not.toContain('instruments-misaligned');
  });

  test('the lag that the meter shows is used, whatever is configured', () => {
    const approach = (record: EventRecord) => {
      const result = analyse(record, options).legs[0].results.approachVelocity;
      if (result.value === null) throw new Error(result.reason);
      return result.value;
    };
    const doubled = approach(wrongs['meter lag x 2'](right));
    expect(Math.abs(doubled - approach(right))).toBeLessThan(0.005);
    expect(Math.abs(doubled - simulated.legs[0].truth.approachVelocity_mps)).toBeLessThan(0.02);
  });
});

describe('tank of known volume', () => {
  // The volume is stated where the simulated tank starts, some bar below the trip.
  const { airVolume_m3: volume_m3, pressure_Pa: at_Pa, polytropic_ratio } = spec.tank;
  const air = {
    volume_m3,
    halfWidth_m3: 0.02 * volume_m3,
    at_Pa,
    polytropic_ratio,
    polytropicHalfWidth_ratio: 0.16,
  };
  const known: EventRecord = { ...right, tankAir: air };

  test('its rise agrees with the meter', () => {
    expect(codes(known)).not.toContain('tank-rise-differs');
  });

  test('a wrong bore changes no metered flow; an air volume a quarter off is noticed', () => {
    expect(codes(wrongs['bore -10 % (flow meter)'](known))).not.toContain('tank-rise-differs');
    const wide: EventRecord = { ...known, tankAir: { ...air, volume_m3: 0.75 * volume_m3 } };
    expect(codes(wide)).toContain('tank-rise-differs');
  });
});

describe('what a plateau and a column can do', () => {
  test('a ripple on the plateau: the line to the sensor rings', () => {
    const record = syntheticEvent({ ...plainLeg, rate_Hz: 10_000, noise_Pa: 500 });
    expect(codes(record)).not.toContain('tapping-line-rings');
    const seating_s = record.legs[0].outlet.time_s[0] + syntheticSeating_s(plainLeg);
    const { outlet } = record.legs[0];
    const value = outlet.value.map((each, k) => {
      const t = outlet.time_s[k] - seating_s;
      return t > 0 && t < 0.02 ? each - 1e5 * Math.exp(-t / 0.01) * Math.cos(2 * Math.PI * 700 * t) : each;
    });
    const rippled = { ...record, legs: [{ ...record.legs[0], outlet: { ...outlet, value } }] };
    expect(codes(rippled)).toContain('tapping-line-rings');
  });

  test('a valve that shuts while water still runs forward says so, and gives no reversal', () => {
    const record = syntheticEvent({ ...plainLeg, rate_Hz: 2000, noise_Pa: 500, reverse_mps: -0.4 });
    const { flags, results } = analyse(record, options).legs[0];
    expect(flags.map(({ code }) => code)).toContain('closed-before-reversal');
    expect(results.reversal.value).toBeNull();
    expect(results.reverseFlowTime.value).toBeNull();
  });
});
