/**
 * The leak through a shut valve against the law of the orifice: q = C A sqrt(2 dp / density) (ISO 5167-2:2003, 5.1, with a small
 * diameter ratio, so that 1 / sqrt(1 - beta^4) is 1; from memory). 1 bar of water of 1000 kg/m3 gives 14.14 m/s (Torricelli).
 */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../daemon/analysis/record.ts';
import type { LegVerdict, Measured, Result } from '../../daemon/analysis/verdict.ts';
import { plainLeg, syntheticEvent, syntheticSeating_s } from '../support/synthetic-leg.ts';

const leg = { ...plainLeg, rate_Hz: 1000, density_kgpm3: 1000, noise_Pa: 300, absorption_ratio: 0.1 };
const seating_s = syntheticSeating_s(leg);

/** A valve that leaks through a share of the bore: its inlet rests `over_Pa` below its outlet, its meter at the leak. */
function leaking(share: number, over_Pa: number): EventRecord {
  const event = syntheticEvent(leg);
  const [first] = event.legs;
  const { meter, inlet, outlet } = first;
  if (meter === null || inlet === null) throw new Error('no meter or no inlet');
  const leak_mps = share * Math.sqrt((2 * over_Pa) / 1000);
  const shut = (t: number) => t > seating_s;
  const meterValue = meter.value.map((v, k) => (shut(meter.time_s[k]) ? v - leak_mps : v));
  const inletValue = inlet.value.map((v, k) =>
    inlet.time_s[k] > seating_s + 0.2 ? outlet.value[k] - over_Pa : v,
  );
  return {
    ...event,
    legs: [{ ...first, meter: { ...meter, value: meterValue }, inlet: { ...inlet, value: inletValue } }],
  };
}

function judge(record: EventRecord): LegVerdict {
  return analyse(record, { revision: 1, software: 'test', reason: 'reference' }).legs[0];
}

function given(result: Result): Measured {
  if (result.value === null) throw new Error(result.reason);
  return result;
}

describe('leak through the shut valve', () => {
  test.each([
    [0.005, 1e5, 0.070_71],
    [0.01, 2e5, 0.2],
    [0.002, 3.5e5, 0.052_92],
  ])('%d of the bore at %d Pa lets %d m/s back', (share, over_Pa, leak_mps) => {
    const { results, flags } = judge(leaking(share, over_Pa));
    const flow = given(results.leakVelocity);
    expect(flow.value).toBeCloseTo(leak_mps, 2);
    expect(flow.low).toBeLessThanOrEqual(leak_mps);
    expect(flow.high).toBeGreaterThanOrEqual(leak_mps);
    const area = given(results.leakArea);
    expect(area.low).toBeLessThanOrEqual(share);
    expect(area.high).toBeGreaterThanOrEqual(share);
    expect(area.value / share).toBeCloseTo(1, 0);
    expect(flags.map(({ code }) => code)).toContain('valve-leaks');
  });

  test('a tight valve: the interval holds zero, nothing is flagged', () => {
    const { results, flags } = judge(syntheticEvent(leg));
    expect(given(results.leakVelocity).low).toBe(0);
    expect(given(results.leakVelocity).high).toBeLessThan(0.02);
    expect(flags.map(({ code }) => code)).not.toContain('valve-leaks');
  });

  test('the fall of the static pressure is that of the record', () => {
    const event = syntheticEvent(leg);
    const [first] = event.legs;
    const value = first.outlet.value.map((p, k) => p - 800 * Math.max(0, first.outlet.time_s[k] - seating_s));
    const { results } = judge({
      ...event,
      tank: null,
      legs: [{ ...first, outlet: { ...first.outlet, value } }],
    });
    const fall = given(results.staticDecay);
    expect(fall.low).toBeLessThanOrEqual(800);
    expect(fall.high).toBeGreaterThanOrEqual(800);
    expect(fall.high - fall.low).toBeLessThan(fall.value);
  });
});
