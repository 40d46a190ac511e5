/** The two legs of the demo rig, one by one and both at once: clearly different verdicts, every figure honest. */
import { describe, expect, test } from 'vitest';
import { analyse } from '../../daemon/analysis/analyse.ts';
import { loadRigFile } from '../../daemon/virtual-rig/rig-file.ts';
import { truthErrors } from '../../daemon/virtual-rig/truth-error.ts';
import { seeded } from '../support/random-rig.ts';
import { perfectSensors, simulateTrip } from '../support/simulate-trip.ts';
import { recordOf } from '../support/trip-record.ts';

const { plant } = loadRigFile('config/demo.rig.yaml');
const sensors = {
  ...perfectSensors,
  pressureLag_s: 0.0005,
  meterLag_s: 0.15,
  contactDelay_s: 0.014,
  pressureNoise_Pa: 1200,
  meterNoise_mps: 0.006,
  meterOffset_mps: 0.004,
  hum_Pa: 400,
  bits: 14,
};
/** As well known as the demo configuration claims. */
const knowledge = { length: 0.001, waveSpeed: 0.005, meterLag: 0.05, pressureLag_s: 0.0005 };

function judge(legs: typeof plant.legs, rate_Hz: number, seed: number) {
  const spec = { ...plant, legs };
  const trip = simulateTrip(spec, { rate_Hz, sensors, random: seeded(seed), before_s: 2 });
  const verdict = analyse(recordOf(trip, spec, sensors, knowledge), {
    revision: 1,
    software: 'test',
    reason: 'demo',
  });
  return verdict.legs.map((leg, k) => {
    const { length_m, bore_m, waveSpeed_mps } = legs[k].downstream;
    const truth = {
      ...trip.legs[k].truth,
      length_m,
      bore_m,
      waveSpeed_mps,
      inertiaRatio: 1 + plant.tank.absorption_ratio,
      outletTap_m: legs[k].taps.outlet_m,
    };
    return { leg, errors: truthErrors(leg, truth) };
  });
}

describe.each([5000, 1000])('%d samples a second', (rate_Hz) => {
  const [a] = judge([plant.legs[0]], rate_Hz, 1);
  const [b] = judge([plant.legs[1]], rate_Hz, 2);

  test('leg A slams mildly after a softened closure, leg B does not slam', () => {
    expect(a.leg.severity.words).toBe('mild slam (softened closure)');
    expect(a.leg.sentence).toMatch(/^The water ran back for a third of a second, at up to 1\.\d\d m\/s/);
    expect(b.leg.severity.words).toBe('no slam');
  });

  test('every figure of either leg lies inside its interval', () => {
    for (const { leg, errors } of [a, b]) {
      expect(errors.length).toBeGreaterThan(10);
      for (const { metric, isInside, found, truth } of errors) {
        expect(isInside, `leg ${leg.leg}, ${metric}: ${found}, truth ${truth}`).not.toBe(false);
      }
    }
  });

  test('both legs at once: the slam of one is not taken for the closing of the other', () => {
    const both = judge(plant.legs, rate_Hz, 3);
    for (const { leg, errors } of both) {
      expect(leg.active).toBe(true);
      for (const metric of ['seating instant', 'velocity at seating', 'largest reverse velocity', 'surge']) {
        const row = errors.find((error) => error.metric === metric);
        expect(row?.isInside, `leg ${leg.leg}, ${metric}: ${row?.found}, truth ${row?.truth}`).toBe(true);
      }
    }
  });
});
