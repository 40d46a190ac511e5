/** demo.yaml tells what a technician knows of the loop, demo.rig.yaml what it is: they must speak of the same instruments. */
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { loadRig } from '../../../config/load.ts';
import { physics } from '../../../daemon/instruments/rig-knowledge.ts';
import { loadRigFile } from '../../../daemon/virtual-rig/rig-file.ts';

const path = (name: string) => fileURLToPath(new URL(`../../../config/${name}`, import.meta.url));
const known = loadRig(path('demo.yaml'), physics);
const real = loadRigFile(path('demo.rig.yaml'));

const channelOf = (id: string) => known.channels.find((channel) => channel.id === id)!;
const sensorOf = (id: string) => real.sensors.find((sensor) => sensor.id === id)!;
/** Two spellings of one number; binary rounding apart. */
const equal = (a: number, b: number) => expect(a).toBeCloseTo(b, 9 - Math.ceil(Math.log10(Math.abs(b) + 1)));

describe('demo.yaml and demo.rig.yaml', () => {
  it('have the same lines at the same ports, speeds and character lengths', () => {
    const describeKnown = known.lines.map((line) => {
      if (line.driver === 'recording' || line.link.kind !== 'serial')
        throw new Error(`${line.id} is no serial line`);
      const { path: port, baud, dataBits, parity, stopBits } = line.link;
      const characterBits = 1 + dataBits + (parity === 'none' ? 0 : 1) + stopBits;
      return {
        id: line.id,
        port,
        baud,
        characterBits,
        face: line.driver === 'modbus' ? 'modbus' : 'converter',
      };
    });
    expect(
      real.lines.map(({ id, port, baud, characterBits, face }) => ({ id, port, baud, characterBits, face })),
    ).toEqual(describeKnown);
  });

  it('agree on every register: place, type, order, scaling, and what it shows', () => {
    let compared = 0;
    for (const line of known.lines) {
      if (line.driver !== 'modbus') continue;
      const face = real.lines.find(({ id }) => id === line.id)!;
      if (face.face !== 'modbus') throw new Error(`${face.id} is no bus`);
      for (const unit of line.units) {
        const registers = face.units.find((one) => one.unit === unit.unit)!.registers;
        for (const channel of unit.channels) {
          const register = registers.find(
            (one) => one.table === channel.table && one.address === channel.address,
          )!;
          expect(register, channel.id).toMatchObject({ type: channel.type, wordOrder: channel.wordOrder });
          const { quantity, scale, offset } = channelOf(channel.id);
          if (quantity === 'state') {
            expect(register.sources[channel.bit ?? 0]).toBe(
              channel.id.startsWith('Y') ? 'run-contact' : 'pressure-switch',
            );
          } else {
            expect(register.sources).toEqual([channel.id]);
            equal(register.scale, scale);
            equal(register.offset, offset);
          }
          compared++;
        }
      }
    }
    expect(compared).toBe(11);
  });

  it('agree on the stream: rate, positions, what the ends of the counts mean, digital bits', () => {
    const line = known.lines.find(({ id }) => id === 'stream')!;
    const face = real.lines.find(({ id }) => id === 'stream')!;
    if (line.driver !== 'serial-frames' || face.face !== 'converter') throw new Error('no stream');
    expect(face.converter.rate_Hz).toBe(line.rate_Hz);
    const analog = line.channels.filter(({ source }) => source === 'analog');
    expect(face.channels).toEqual(analog.sort((a, b) => a.index - b.index).map(({ id }) => id));
    expect(analog.map(({ index }) => index)).toEqual(face.channels.map((_, index) => index));
    for (const { id } of analog) {
      const { scale, offset } = channelOf(id);
      const [low, high] = sensorOf(id).range;
      equal(-32768 * scale + offset, low);
      equal(32767 * scale + offset, high);
    }
    // The converter's convention: bit 0 run contact (1 = pump runs), bit 1 pressure switch (1 = tripped).
    const bits = Object.fromEntries(
      line.channels.filter(({ source }) => source === 'digital').map(({ id, index }) => [id, index]),
    );
    expect(bits[known.trip.contact!.channel]).toBe(0);
    expect(bits[known.trip.pressureSwitch!.channel]).toBe(1);
    expect(known.trip.contact!.runningLevel).toBe(1);
    expect(known.trip.pressureSwitch!.runningLevel).toBe(0);
  });

  it('have each sensor where the taps say, as fast and as wide as they say', () => {
    known.legs.forEach((leg, of) => {
      const taps = real.plant.legs[of]!.taps;
      for (const [signal, tap, distance_m] of [
        ['outlet', leg.outlet, taps.outlet_m],
        ['mid', leg.mid!, taps.mid_m],
        ['inlet', leg.inlet!, taps.inlet_m],
      ] as const) {
        expect(sensorOf(tap.channel), tap.channel).toMatchObject({ signal, of });
        equal(tap.distance_m, distance_m);
      }
      expect(sensorOf(leg.meter!.channel)).toMatchObject({ signal: 'flow', of });
      expect(sensorOf(leg.position!)).toMatchObject({ signal: 'opening', of });
    });
    for (const sensor of real.sensors) {
      const channel = channelOf(sensor.id);
      expect(Math.abs(sensor.lag_s - channel.responseTime_s), sensor.id).toBeLessThanOrEqual(
        channel.responseTimeHalfWidth_s,
      );
      equal(channel.range[0], sensor.range[0]);
      equal(channel.range[1], sensor.range[1]);
    }
  });

  it('differ in geometry and water by no more than the stated intervals', () => {
    expect(real.plant.legs.map(({ id }) => id)).toEqual(known.legs.map(({ id }) => id));
    known.legs.forEach((leg, i) => {
      const { downstream, upstream } = real.plant.legs[i]!;
      expect(downstream.bore_m).toBe(leg.bore_m);
      expect(Math.abs(downstream.length_m - leg.length_m)).toBeLessThanOrEqual(leg.lengthHalfWidth_m);
      expect(Math.abs(downstream.waveSpeed_mps - leg.waveSpeed_mps)).toBeLessThanOrEqual(
        leg.waveSpeedHalfWidth_mps,
      );
      for (const pump of real.plant.pumps)
        equal(pump.discharge.length_m + upstream.length_m, leg.inletLength_m);
      // The tank end takes up a share of the wave and adds the same share of inertia.
      const ratio = 1 + real.plant.tank.absorption_ratio;
      expect(Math.abs(ratio - leg.inertiaRatio)).toBeLessThanOrEqual(leg.inertiaRatioHalfWidth);
    });
    expect(real.plant.atmosphere_PaAbs).toBe(known.atmosphere_PaAbs);
    expect(Math.abs(real.plant.liquid.temperature_K - known.liquid.temperature_K)).toBeLessThanOrEqual(3);
    expect(real.plant.pressureSwitch!.setPoint_Pa).toBe(known.trip.tank!.setPoint_Pa);
  });

  it('let the trip lie inside the intervals of its sources', () => {
    const within = (delay_s: number, [low, high]: readonly [number, number]) =>
      delay_s >= low && delay_s <= high;
    const [least_s, most_s] = real.cycle.contactDelay_s;
    expect(within(least_s, known.trip.contact!.delay_s) && within(most_s, known.trip.contact!.delay_s)).toBe(
      true,
    );
    expect(within(-real.plant.pressureSwitch!.contactorDelay_s, known.trip.pressureSwitch!.delay_s)).toBe(
      true,
    );
  });
});
