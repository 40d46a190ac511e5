import { describe, expect, it } from 'vitest';
import { waterDensity_kgpm3 } from '../../../daemon/hydraulics/water.ts';
import { type Change, readChanged } from '../../support/rig-text.ts';

function resolved(...changes: readonly Change[]) {
  const { config, lines } = readChanged(...changes);
  expect(lines.filter((line) => !line.includes(': warning: '))).toEqual([]);
  return config!;
}

function channel(id: string, ...changes: readonly Change[]) {
  return resolved(...changes).channels.find((one) => one.id === id)!;
}

describe('the resolved rig', () => {
  it('is SI throughout and says nothing about a right file', () => {
    const { config, lines } = readChanged();
    expect(lines).toEqual([]);
    expect(config).toMatchObject({
      name: 'Small rig',
      atmosphere_PaAbs: 101_325,
      trip: {
        contact: { channel: 'YS-401', runningLevel: 1, delay_s: [0, 0.02] },
        pressureSwitch: null,
        detected: true,
        tank: { channel: 'PT-301', setPoint_Pa: 540_000 },
      },
      windows: { before_s: 2, afterSeating_s: 3, withoutSeating_s: 8, history_s: 60 },
      severity: { version: 'trade rule, from memory', mild_mps: 0.1524, severe_mps: 0.3048 },
      server: { host: '127.0.0.1', port: 8470 },
      dataFolder: 'data',
    });
  });

  it('is frozen to the leaves', () => {
    const config = resolved();
    expect(() => Object.assign(config.legs[0].valve, { id: 'x' })).toThrow(TypeError);
    expect(() => Object.assign(config.lines[0], { id: 'x' })).toThrow(TypeError);
    expect(() => Object.assign(config.channels[0].range, [0, 0])).toThrow(TypeError);
  });

  it('takes water from the formulas at its temperature', () => {
    const { liquid } = resolved();
    expect(liquid.density_kgpm3).toBe(waterDensity_kgpm3(293.15));
    // Published: 998.2067 kg/m3 at 20 degC (Tanaka et al. 2001), 2339.2 Pa (Wagner and Pruss 2002).
    expect(liquid.density_kgpm3).toBeCloseTo(998.2067, 3);
    expect(liquid.vapourPressure_PaAbs).toBeCloseTo(2339.2, 0);
    expect(liquid.densityHalfWidth_kgpm3).toBeGreaterThan(0.5);
  });

  it('computes a wave speed, or takes the given one with its tolerance', () => {
    const [computed] = resolved().legs;
    expect(computed.waveSpeedFrom).toBe('formula');
    expect(computed.waveSpeed_mps).toBeGreaterThan(1300);
    expect(computed.waveSpeed_mps).toBeLessThan(1350);
    const [given] = resolved([
      '    length: 9.00 m\n',
      '    length: 9.00 m +- 5 cm\n    waveSpeed: 4000 ft/s +- 1 %\n',
    ]).legs;
    expect(given).toMatchObject({ waveSpeedFrom: 'given', lengthHalfWidth_m: 0.05 });
    expect(given.waveSpeed_mps).toBeCloseTo(1219.2, 9);
    expect(given.waveSpeedHalfWidth_mps).toBeCloseTo(12.192, 9);
  });

  it('takes a bore with its tolerance, or half a per cent of it', () => {
    const [plain] = resolved().legs;
    expect(plain.boreHalfWidth_m).toBeCloseTo(0.005 * plain.bore_m, 12);
    const [given] = resolved(['bore: 154.1 mm', 'bore: 154.1 mm +- 0.3 mm']).legs;
    expect(given).toMatchObject({ bore_m: 0.1541 });
    expect(given.boreHalfWidth_m).toBeCloseTo(0.0003, 12);
  });

  it('takes a material by an everyday name too', () => {
    const material = { name: 'carbon steel', modulus_Pa: 207e9, poisson: 0.3 };
    expect(resolved(['material: carbon steel', 'material: Steel']).legs[0].material).toEqual(material);
  });

  it('takes a material by name or by its numbers', () => {
    expect(resolved().legs[0].material).toEqual({ name: 'carbon steel', modulus_Pa: 207e9, poisson: 0.3 });
    const written = ['material: carbon steel', 'material: { name: lined steel, modulus: 200 GPa }'] as const;
    expect(resolved(written).legs[0].material).toEqual({
      name: 'lined steel',
      modulus_Pa: 200e9,
      poisson: 0.3,
    });
  });

  it('turns raw counts into SI by two points', () => {
    const pressure = channel('PT-101');
    expect(-32768 * pressure.scale + pressure.offset).toBeCloseTo(-1e5, 6);
    expect(32767 * pressure.scale + pressure.offset).toBeCloseTo(24e5, 6);
    expect(pressure).toMatchObject({
      unit: 'Pa',
      displayUnit: 'bar',
      range: [-1e5, 24e5],
      rawRange: [-32768, 32767],
    });
  });

  it('reads falling scalings and counts', () => {
    const upsideDown = channel('PT-101', [
      'analog: 0, scaling: { raw: -32768 to 32767, value: -1 to 24 bar }',
      'analog: 0, counts: 4095 to 0, scaling: { raw: 4095 to 0, value: 0 to 10 bar }',
    ]);
    expect(4095 * upsideDown.scale + upsideDown.offset).toBeCloseTo(0, 6);
    expect(upsideDown.offset).toBeCloseTo(1e6, 6);
    expect(upsideDown.rawRange).toEqual([0, 4095]);
  });

  it('turns raw numbers into SI by scale and offset, affine units too', () => {
    const celsius = channel('TT-301');
    // 68.0 degF is 20 degC by definition.
    expect(680 * celsius.scale + celsius.offset).toBeCloseTo(293.15, 9);
    expect(channel('FT-101').scale).toBeCloseTo(1 / 3600, 15);
  });

  it('shifts an absolute instrument to gauge by the atmosphere of the rig', () => {
    const absolute = channel(
      'PT-301',
      ['rig: { name: Small rig }', 'rig: { name: Small rig }\natmosphere: 1000 mbar'],
      [
        'unit: bar, range: 0 to 16 bar, register: input 2',
        'unit: bar(a), range: 0 to 16 bar, register: input 2',
      ],
    );
    expect(absolute).toMatchObject({ offset: -1e5, scale: 1e5, range: [-1e5, 15e5], displayUnit: 'bar' });
  });

  it('splits an uncertainty into a fixed part and a part of the reading', () => {
    const range = 'range: -300 to 300 m3/h';
    const flow = channel('FT-101', [range, `${range}, uncertainty: 0.36 m3/h + 0.5 %`]);
    expect(flow.uncertainty.absolute).toBeCloseTo(1e-4, 12);
    expect(flow.uncertainty.relative).toBeCloseTo(0.005, 12);
    expect(channel('FT-101', [range, `${range}, uncertainty: 1 %`]).uncertainty).toEqual({
      absolute: 0,
      relative: 0.01,
    });
  });

  it.each([
    ['40001', 'holding', 0],
    ['400101', 'holding', 100],
    ['30007', 'input', 6],
    ['holding 0x64', 'holding', 100],
    ['input 6', 'input', 6],
  ])('reads the register %s', (text, table, address) => {
    const [, bus] = resolved(['register: input 0', `register: ${text}`]).lines;
    expect(bus.driver === 'modbus' && bus.units[0].channels[0]).toMatchObject({
      table,
      address,
      wordOrder: 'ABCD',
      bit: null,
    });
  });

  it.each([
    ['10017', 'discrete', 16],
    ['00001', 'coil', 0],
    ['coil 3', 'coil', 3],
  ])('reads the bit %s', (text, table, address) => {
    const from =
      '- { id: FT-101, quantity: flow, unit: m3/h, range: -300 to 300 m3/h, register: input 0, type: float32 }';
    const [, bus] = resolved(
      [from, `- { id: YS-9, quantity: state, register: ${text}, type: bit }`],
      ['    meter: { channel: FT-101 }\n', ''],
    ).lines;
    expect(bus.driver === 'modbus' && bus.units[0].channels[0]).toMatchObject({
      table,
      address,
      type: 'bit',
    });
  });

  it('makes the drivers their links', () => {
    const [stream, bus] = resolved(['port: /dev/ttyS1\n    baud: 19200', 'port: tcp://192.0.2.20:502']).lines;
    expect(stream).toMatchObject({
      link: { kind: 'serial', path: '/dev/ttyS0', baud: 921_600, dataBits: 8, parity: 'none', stopBits: 1 },
      framing: { kind: 'binary' },
      rate_Hz: 5000,
    });
    expect(bus).toMatchObject({ link: { kind: 'tcp', host: '192.0.2.20', port: 502 } });
    expect(bus).toHaveProperty('link', { kind: 'tcp', host: '192.0.2.20', port: 502 });
  });

  it('sends even parity on a bus unless told otherwise', () => {
    expect(resolved().lines[1]).toMatchObject({ link: { dataBits: 8, parity: 'even', stopBits: 1 } });
    const odd = resolved(['    baud: 19200\n', '    baud: 19200\n    format: 8n2\n']);
    expect(odd.lines[1]).toMatchObject({ link: { dataBits: 8, parity: 'none', stopBits: 2 } });
  });
});

describe('air of the tank', () => {
  const read = (tank: string) => readChanged(['setPoint: 5.4 bar', tank]).config?.trip.tank?.air;

  it('is absent unless the file knows it', () => {
    expect(read('setPoint: 5.4 bar')).toBeUndefined();
  });

  it('holds at the set point unless its pressure is told, with an exponent of its own', () => {
    expect(read('setPoint: 5.4 bar, air: { volume: 900 l +- 5 % }')).toEqual({
      volume_m3: 0.9,
      halfWidth_m3: expect.closeTo(0.045),
      at_Pa: 5.4e5,
      polytropic_ratio: 1.2,
      polytropicHalfWidth_ratio: 0.16,
    });
    expect(read('air: { volume: 2 m3, at: 1 bar, exponent: 1.35 +- 0.05 }')).toEqual({
      volume_m3: 2,
      halfWidth_m3: expect.closeTo(0.2),
      at_Pa: 1e5,
      polytropic_ratio: 1.35,
      polytropicHalfWidth_ratio: 0.05,
    });
  });
});
