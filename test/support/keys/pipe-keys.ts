/** Keys of the rig, its liquid, pipes, valves and taps: their effect on a verdict or on the page. */
import { expect } from 'vitest';
import type { Change } from '../rig-text.ts';
import { flags, halfWidth, judged, read, reason, value } from './key-record.ts';
import { type KeyRow, row } from './key-row.ts';

const noWaveSpeed: Change = ['    waveSpeed: 1200 m/s +- 2 %\n', ''];
/** Two taps tell a wave speed only where their response times are stated. */
const stated: readonly Change[] = ['outlet', 'mid'].map(
  (column): Change => [
    `column: ${column}, quantity: pressure,`,
    `column: ${column}, quantity: pressure, responseTime: 0 s,`,
  ],
);
const noMid: Change = ['      mid: { channel: PT-3, distance: 4 m }\n', ''];
const noInlet: Change = ['      inlet: { channel: PT-2, distance: 0 mm }\n', ''];
const speed = (...changes: readonly Change[]) => judged(noWaveSpeed, ...changes).view.legs[0]!.waveSpeed_mps;

/** What stands beside K / rho in Korteweg's formula, from the computed wave speed of the unchanged file. */
function wallTerm(): number {
  const { density_kgpm3, bulkModulus_Pa } = judged().config.liquid;
  return bulkModulus_Pa / density_kgpm3 / speed() ** 2 - 1;
}

/** Wave speed of the unchanged pipe with its wall term times `factor`. */
function speedWith(factor: number): number {
  const { density_kgpm3, bulkModulus_Pa } = judged().config.liquid;
  return Math.sqrt(bulkModulus_Pa / density_kgpm3 / (1 + factor * wallTerm()));
}

/** Thick-wall restraint factors, hydraulics of textbooks (Wylie and Streeter, 1993, from memory). */
function restraintFactor(free: number, poisson: number, wall_m = 0.0071, bore_m = 0.1541): number {
  return ((2 * wall_m) / bore_m) * (1 + poisson) + (bore_m / (bore_m + wall_m)) * free;
}

const anchored = restraintFactor(1 - 0.3 ** 2, 0.3);

const oil = 'name: oil, density: 860 kg/m3, bulkModulus: 1.5 GPa, vapourPressure: 10 Pa';

const vapour = (pressure: string): Change => [
  'liquid: { temperature',
  `liquid: { vapourPressure: ${pressure}, temperature`,
];

export const pipeKeys: readonly KeyRow[] = [
  row('rig.name', 'the name on the page', () => {
    expect(judged(['name: Key rig', 'name: Other rig']).view.name).toBe('Other rig');
  }),
  row('rig.place', 'the place on the page', () => {
    expect(judged(['place: Nowhere', 'place: Elsewhere']).view.place).toBe('Elsewhere');
  }),
  row('liquid.name', 'no water: nothing is built in', () => {
    expect(() => judged(['liquid: { temperature', 'liquid: { name: oil, temperature'])).toThrow(
      'only that of water is built in, not that of "oil"',
    );
    expect(judged(['liquid: { temperature', `liquid: { ${oil}, temperature`]).config.liquid.name).toBe('oil');
  }),
  row('liquid.temperature', 'density of water at 40 degC (IAPWS-95: 992.2164 over 998.2072)', () => {
    const warm = judged(['temperature: 20 degC', 'temperature: 40 degC']);
    expect(value(judged(), 'velocityAtSeating') / value(warm, 'velocityAtSeating')).toBeCloseTo(
      992.2164 / 998.2072,
      3,
    );
  }),
  row('liquid.density', 'twice the density: half the velocity at seating', () => {
    const heavy = judged(['liquid: { temperature', 'liquid: { density: 1996.4 kg/m3, temperature']);
    expect(value(judged(), 'velocityAtSeating') / value(heavy, 'velocityAtSeating')).toBeCloseTo(2, 2);
  }),
  row('liquid.bulkModulus', "half the modulus: the wave speed by Korteweg's formula", () => {
    const { density_kgpm3, bulkModulus_Pa } = judged().config.liquid;
    const half_Pa = 1.1e9;
    const perModulus = wallTerm() / bulkModulus_Pa;
    expect(speed(['liquid: { temperature', 'liquid: { bulkModulus: 1.1 GPa, temperature'])).toBeCloseTo(
      Math.sqrt(half_Pa / density_kgpm3 / (1 + perModulus * half_Pa)),
      3,
    );
  }),
  row(
    'liquid.vapourPressure',
    'the inlet, which falls to -0.3 bar, reaches it: cavitation is suspected',
    () => {
      expect(flags(judged(vapour('0.6 bar')))).not.toContain('cavitation-suspected');
      expect(flags(judged(vapour('0.7 bar')))).toContain('cavitation-suspected');
    },
  ),
  row('atmosphere', 'with 0.1 bar less air the same inlet reaches vapour pressure', () => {
    const high: Change = ['atmosphere: 1013.25 mbar', 'atmosphere: 913.25 mbar'];
    expect(flags(judged(vapour('0.6 bar')))).not.toContain('cavitation-suspected');
    expect(flags(judged(vapour('0.6 bar'), high))).toContain('cavitation-suspected');
  }),
  row('legs[].id', 'the leg of the verdict', () => {
    expect(judged(['  - id: A\n', '  - id: B7\n']).leg.leg).toBe('B7');
  }),
  row('legs[].name', 'the name of the leg on the page', () => {
    expect(judged(['name: Leg of keys', 'name: North leg']).view.legs[0]!.name).toBe('North leg');
  }),
  row('legs[].bore', 'twice the bore: four times the anchor load', () => {
    const wide = judged(['bore: 154.1 mm', 'bore: 308.2 mm']);
    expect(value(wide, 'anchorLoad') / value(judged(), 'anchorLoad')).toBeCloseTo(4, 6);
  }),
  row('legs[].wall', 'twice the wall: the computed wave speed', () => {
    const factor = restraintFactor(1 - 0.3 ** 2, 0.3, 0.0142) / anchored / 2;
    expect(speed(['wall: 7.1 mm', 'wall: 14.2 mm'])).toBeCloseTo(speedWith(factor), 6);
  }),
  row('legs[].material', 'a softer pipe: a slower wave', () => {
    expect(speed(['material: carbon steel', 'material: PVC-U'])).toBeLessThan(0.5 * speed());
  }),
  row('legs[].material.name', 'the material in the record', () => {
    const own = 'material: { name: lined steel, modulus: 207 GPa }';
    expect(judged(['material: carbon steel', own]).record.legs[0]!.leg.material.name).toBe('lined steel');
  }),
  row('legs[].material.modulus', 'half the modulus: twice the wall term of the wave speed', () => {
    const soft = 'material: { name: made up, modulus: 103.5 GPa, poisson: 0.3 }';
    expect(speed(['material: carbon steel', soft])).toBeCloseTo(speedWith(2), 6);
  }),
  row('legs[].material.poisson', 'the wave speed of an anchored pipe', () => {
    const own = 'material: { name: made up, modulus: 207 GPa, poisson: 0.45 }';
    const factor = restraintFactor(1 - 0.45 ** 2, 0.45) / anchored;
    expect(speed(['material: carbon steel', own])).toBeCloseTo(speedWith(factor), 6);
  }),
  row('legs[].restraint', 'the wave speed with expansion joints', () => {
    const factor = restraintFactor(1, 0.3) / anchored;
    expect(speed(['restraint: anchored', 'restraint: expansion-joints'])).toBeCloseTo(speedWith(factor), 6);
  }),
  row('legs[].length', 'a fifth longer: the same ring means a wave a fifth faster', () => {
    const long = judged(['length: 10 m +- 1 %', 'length: 12 m +- 1 %'], noMid);
    expect(value(long, 'waveSpeed') / value(judged(noMid), 'waveSpeed')).toBeCloseTo(1.2, 2);
  }),
  row('legs[].inletLength', 'a short pipe to the pump answers too soon for the inlet cross-check', () => {
    expect(reason(judged(), 'inletReverseVelocity')).toBeNull();
    const short = judged(['inletLength: 12 m', 'inletLength: 0.5 m']);
    expect(reason(short, 'inletReverseVelocity')).toContain('the pipe to the pump answers in');
  }),
  row(
    'legs[].inertiaRatio',
    'a heavier end: it rings slower than its length says, by half of the excess',
    () => {
      const heavy: Change = ['inertiaRatio: 1.00 +- 0.01', 'inertiaRatio: 1.20 +- 0.01'];
      expect(value(judged(heavy, noMid), 'waveSpeed') / value(judged(noMid), 'waveSpeed')).toBeCloseTo(
        1.1,
        2,
      );
    },
  ),
  row('legs[].waveSpeed', 'a wave 5 % faster: the same step is a velocity 5 % smaller', () => {
    const fast = judged(['waveSpeed: 1200 m/s', 'waveSpeed: 1260 m/s']);
    const ratio = value(judged(), 'velocityAtSeating') / value(fast, 'velocityAtSeating');
    expect(ratio).toBeGreaterThan(1.04);
    expect(ratio).toBeLessThan(1.06);
  }),
  row('legs[].rating', '6 bar less: 6 bar less margin', () => {
    const weak = judged(['    rating: 16 bar', '    rating: 10 bar']);
    expect(value(judged(), 'ratingMargin') - value(weak, 'ratingMargin')).toBeCloseTo(6e5, 3);
  }),
  row('legs[].valve.id', 'the valve of the verdict', () => {
    expect(judged(['valve: { id: V-A', 'valve: { id: V-77']).leg.valve).toBe('V-77');
  }),
  row('legs[].valve.type', 'the type on the page', () => {
    expect(judged(['type: swing', 'type: axial']).view.legs[0]!.valve.type).toBe('axial');
  }),
  row('legs[].valve.size', 'the size on the page', () => {
    expect(judged(['size: DN150', 'size: 6 in']).view.legs[0]!.valve.size).toBe('6 in');
  }),
  row('legs[].valve.serial', 'the serial number on the page', () => {
    expect(judged(['serial: S1', 'serial: S2']).view.legs[0]!.valve.serial).toBe('S2');
  }),
  row('legs[].valve.settings', 'the settings on the page', () => {
    expect(judged(['settings: weight out', 'settings: weight in']).view.legs[0]!.valve.settings).toBe(
      'weight in',
    );
  }),
  row('legs[].valve.rating', 'below that of the pipe: the margin is of the valve', () => {
    const weak = judged(['rating: 20 bar', 'rating: 12 bar']);
    expect(value(judged(), 'ratingMargin') - value(weak, 'ratingMargin')).toBeCloseTo(4e5, 3);
  }),
  row('legs[].taps.outlet.channel', 'outlet and inlet exchanged: the verdict says so', () => {
    const swapped = judged(
      ['outlet: { channel: PT-1', 'outlet: { channel: PT-2'],
      ['inlet: { channel: PT-2', 'inlet: { channel: PT-1'],
    );
    expect(swapped.record.legs[0]!.outlet.channel.id).toBe('PT-2');
    expect(value(judged(), 'peakRaw')).toBeGreaterThan(7e5);
    expect(swapped.leg.results.peakRaw.value ?? 0).toBeLessThan(6e5);
  }),
  row('legs[].taps.outlet.distance', '0.6 m further: the front left the seat 0.5 ms earlier', () => {
    const far = judged(['PT-1, distance: 0 mm', 'PT-1, distance: 600 mm'], noMid);
    expect(value(judged(noMid), 'seating') - value(far, 'seating')).toBeCloseTo(0.6 / 1200, 4);
  }),
  row('legs[].taps.mid.channel', 'left out: no wave speed by two taps', () => {
    expect(judged(...stated).leg.waveSpeeds!.twoTaps.value).not.toBeNull();
    expect(judged(...stated, noMid).leg.waveSpeeds!.twoTaps.value).toBeNull();
  }),
  row('legs[].taps.mid.distance', 'a quarter further: a wave a quarter faster by two taps', () => {
    const far = judged(...stated, ['PT-3, distance: 4 m', 'PT-3, distance: 5 m']).leg.waveSpeeds!.twoTaps;
    expect(far.value! / judged(...stated).leg.waveSpeeds!.twoTaps.value!).toBeCloseTo(1.25, 2);
  }),
  row('legs[].taps.inlet.channel', 'left out: no inlet cross-check, and the verdict says so', () => {
    expect(flags(judged())).not.toContain('no-inlet');
    expect(flags(judged(noInlet))).toContain('no-inlet');
  }),
  row('legs[].taps.inlet.distance', 'near the pump: its answer comes too soon for the cross-check', () => {
    const far = judged(['PT-2, distance: 0 mm', 'PT-2, distance: 11.5 m']);
    expect(reason(far, 'inletReverseVelocity')).toContain('the pipe to the pump answers in');
  }),
  row(
    'legs[].meter.channel',
    'left out: the approach velocity is known less well, and the verdict says so',
    () => {
      const none = judged(['    meter: { channel: FT-1 }\n', '']);
      expect(flags(none)).toContain('no-meter');
      expect(halfWidth(none, 'decelerationMean')).toBeGreaterThan(
        2 * halfWidth(judged(), 'decelerationMean'),
      );
    },
  ),
  row('legs[].meter.distance', 'no figure: a warning says to leave it out', () => {
    const { config, lines } = read(['meter: { channel: FT-1 }', 'meter: { channel: FT-1, distance: 1 m }']);
    expect(config).not.toBeNull();
    expect(lines.join()).toContain('legs[0].meter.distance: no figure depends on where a meter is');
  }),
  row('legs[].position', 'left out: no time of disc travel', () => {
    expect(value(judged(), 'discTravelTime')).toBeCloseTo(0.23, 1);
    expect(reason(judged(['    position: ZT-1\n', '']), 'discTravelTime')).not.toBeNull();
  }),
];
