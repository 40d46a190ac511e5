import { describe, expect, it } from 'vitest';
import { rigWithEffects } from '../../../daemon/commands/effect-options.ts';
import { effects, withEffect } from '../../../daemon/virtual-rig/effects/catalogue.ts';
import { ObservedPlant } from '../../../daemon/virtual-rig/observed-plant.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import { Rig } from '../../../daemon/virtual-rig/rig.ts';
import { loadRigFile } from '../../../daemon/virtual-rig/rig-file.ts';
import type { RigSpec } from '../../../daemon/virtual-rig/rig-spec.ts';
import { Sensor } from '../../../daemon/virtual-rig/sensors.ts';
import { FakePlant } from '../../support/fake-plant.ts';

const demo = loadRigFile('config/demo.rig.yaml');

describe('the catalogue of effects', () => {
  it('has each name once, with a scale inside its range and a source', () => {
    expect(new Set(effects.map(({ name }) => name)).size).toBe(effects.length);
    for (const { range, scale, source, does } of effects) {
      for (const strength of scale) {
        expect(strength).toBeGreaterThanOrEqual(range[0]);
        expect(strength).toBeLessThanOrEqual(range[1]);
      }
      expect(source.length * does.length).toBeGreaterThan(0);
    }
  });

  it.each(effects.map(({ name }) => name))('%s makes another rig that can be built', (name) => {
    const changed = withEffect(demo, name);
    expect(JSON.stringify(changed)).not.toBe(JSON.stringify(demo));
    const plant = new ObservedPlant(changed.plant);
    for (const sensor of changed.sensors) new Sensor(sensor, plant, new Random(1, sensor.id)).follow();
  });

  it('takes strength, unit and leg', () => {
    const gas = (rig: RigSpec) => rig.plant.legs.map(({ details }) => details?.gasPockets?.[0]?.volume_m3);
    expect(gas(withEffect(demo, 'gas-pocket=0.5 L'))).toEqual([5e-4, 5e-4]);
    expect(gas(withEffect(demo, 'gas-pocket=0.5@B'))).toEqual([undefined, 5e-4]);
  });

  it.each([
    ['gas', 'effect: found "gas"; allowed: plastic-wall, branch,'],
    ['gas-pocket=11', 'effect gas-pocket: found "11"; a number from 0.001 to 10 (L) is allowed'],
    ['gas-pocket=', 'effect gas-pocket: found ""; a number from'],
    ['gas-pocket=1@C', 'effect: found leg "C"; allowed: A, B'],
  ])('refuses %s', (text, words) => {
    expect(() => rigWithEffects(demo, [text])).toThrow(words);
  });
});

/** Bytes on the wire of the stream over two seconds in which the flow of leg A turns at 1 s, and frames that were dropped. */
function lineOf(changes: Partial<RigSpec>) {
  const rig = new Rig({ ...demo, ...changes }, { trip: () => undefined }, (spec) => {
    const plant = new FakePlant(spec);
    plant.onStep = ({ time_s, legs }) => {
      legs[0]!.valveVelocity_mps = time_s < 1 ? 2 : -0.1;
    };
    return plant;
  });
  let bytes = 0;
  for (let tick = 1; tick <= 40; tick++) {
    rig.advance(tick * 0.05, 1e6);
    rig.face('stream').wire.take(tick * 0.05, (part) => {
      bytes += part.length;
    });
  }
  return { bytes, dropped: rig.counters()['stream']!['framesDropped'] };
}

describe('lost frames', () => {
  it('are those of a silent line from the reversal on', () => {
    // A frame each 5 ms.
    const { dropped } = lineOf({ silence_s: 0.2 });
    expect(dropped).toBeGreaterThanOrEqual(39);
    expect(dropped).toBeLessThanOrEqual(41);
  });

  it('never leave, and are counted', () => {
    const whole = lineOf({});
    const lossy = lineOf({ lost_ratio: 0.5 });
    expect(whole.dropped).toBe(0);
    expect(lossy.dropped! / 400).toBeGreaterThan(0.4);
    expect(lossy.dropped! / 400).toBeLessThan(0.6);
    expect(lossy.bytes / whole.bytes).toBeCloseTo(1 - lossy.dropped! / 400, 1);
  });
});
