/**
 * Every unit a configuration may use. SI = written * factor + offset; factors that are defined are exact, the rest
 * is composed from defined ones. Source: NIST Special Publication 811 (2008), appendix B.8, unless said otherwise.
 */

/** What a unit measures. `pressure` is gauge, `absolutePressure` is above vacuum; `modulus` has no reference. */
export type UnitKind =
  | 'length'
  | 'time'
  | 'pressure'
  | 'absolutePressure'
  | 'modulus'
  | 'velocity'
  | 'acceleration'
  | 'flow'
  | 'volume'
  | 'area'
  | 'temperature'
  | 'rotation'
  | 'angle'
  | 'ratio'
  | 'frequency'
  | 'mass'
  | 'density'
  | 'inertia'
  | 'force'
  | 'torque'
  | 'stiffness'
  | 'damping'
  | 'dashpot'
  | 'power'
  | 'current'
  | 'size';

/** One spelling of one kind. */
export interface Unit {
  readonly kind: UnitKind;
  /** The spelling that messages and displays use. */
  readonly symbol: string;
  readonly factor: number;
  /** Added after the factor; only temperatures have one. */
  readonly offset: number;
  /** Other accepted spellings, already normalised (no superscripts, degree signs or carets). */
  readonly aliases: readonly string[];
}

/** How a message names a kind, and an example that is right. The example's units lead the list of the allowed. */
export interface KindText {
  readonly name: string;
  readonly example: string;
  /** The units that a message lists; all others of the kind are accepted too. */
  readonly common: readonly string[];
}

/** International inch and foot, in m; exact. */
const inch_m = 0.0254;
const foot_m = 0.3048;
/** Avoirdupois pound, in kg, and standard gravity, in m/s2; both exact by definition. */
const pound_kg = 0.45359237;
const gravity_mps2 = 9.80665;
const poundForce_N = pound_kg * gravity_mps2;
/** US gallon = 231 cubic inches, imperial gallon; in m3, exact. */
const gallon_m3 = 231 * inch_m ** 3;
const imperialGallon_m3 = 0.00454609;
/** Conventional mercury (0 degC) and conventional water (4 degC), in kg/m3: NIST SP 811, footnotes 11 and 12. */
const mercury_kgpm3 = 13595.1;
const water_kgpm3 = 1000;
const psi_Pa = poundForce_N / inch_m ** 2;

type Row = readonly [symbol: string, factor: number, aliases?: string];

const stress: readonly Row[] = [
  ['Pa', 1],
  ['kPa', 1e3],
  ['MPa', 1e6],
  ['bar', 1e5],
  ['psi', psi_Pa, 'lbf/in2'],
];

const pressures: readonly Row[] = [
  ...stress,
  ['mbar', 100],
  ['hPa', 100],
  ['atm', 101325],
  ['kgf/cm2', 98066.5, 'kp/cm2 at'],
  ['torr', 101325 / 760, 'Torr'],
  ['mmHg', 0.001 * mercury_kgpm3 * gravity_mps2],
  ['inHg', inch_m * mercury_kgpm3 * gravity_mps2],
  // Head of water always means conventional water here (1000 kg/m3, standard gravity), whatever the rig's temperature.
  ['mmH2O', 0.001 * water_kgpm3 * gravity_mps2, 'mmWC'],
  ['cmH2O', 0.01 * water_kgpm3 * gravity_mps2, 'cmWC'],
  ['mH2O', water_kgpm3 * gravity_mps2, 'mWC mWS'],
  ['inH2O', inch_m * water_kgpm3 * gravity_mps2, 'inWC'],
  ['ftH2O', foot_m * water_kgpm3 * gravity_mps2, 'ftWC'],
];

/** Spellings with the reference written out: `bar(a)`, `bara`, `bar abs`; `bar(g)`, `barg`, `bar gauge`. */
function withReference(rows: readonly Row[], letter: 'a' | 'g', word: string, keepsPlain: boolean): Row[] {
  return rows.map(([symbol, factor, aliases]) => {
    const marked = [`${symbol}(${letter})`, `${symbol}${letter}`, `${symbol}_${word}`, `${symbol}${word}`];
    const plain = keepsPlain ? [symbol, ...(aliases?.split(' ') ?? [])] : [];
    return [`${symbol}${letter === 'a' ? '(a)' : ''}`, factor, [...plain, ...marked].join(' ')];
  });
}

const rows: Readonly<Record<UnitKind, readonly Row[]>> = {
  length: [
    ['mm', 1e-3],
    ['cm', 1e-2],
    ['m', 1],
    ['km', 1e3],
    ['um', 1e-6],
    ['in', inch_m, 'inch inches "'],
    ['ft', foot_m, "foot feet '"],
  ],
  time: [
    ['us', 1e-6],
    ['ms', 1e-3],
    ['s', 1, 'sec second seconds'],
    ['min', 60, 'minute minutes'],
    ['h', 3600, 'hr hour hours'],
    ['d', 86400, 'day days'],
  ],
  pressure: withReference(pressures, 'g', 'gauge', true),
  absolutePressure: withReference(pressures, 'a', 'abs', true),
  modulus: [...stress, ['GPa', 1e9], ['ksi', 1e3 * psi_Pa]],
  velocity: [
    ['m/s', 1, 'mps'],
    ['mm/s', 1e-3],
    ['cm/s', 1e-2],
    ['km/h', 1 / 3.6],
    ['ft/s', foot_m, 'fps'],
    ['in/s', inch_m, 'ips'],
  ],
  acceleration: [
    ['m/s2', 1],
    ['ft/s2', foot_m],
  ],
  flow: [
    ['m3/s', 1],
    ['m3/h', 1 / 3600],
    ['l/s', 1e-3, 'L/s'],
    ['l/min', 1e-3 / 60, 'L/min'],
    ['l/h', 1e-3 / 3600, 'L/h'],
    ['gpm', gallon_m3 / 60, 'gal/min USgpm'],
    ['igpm', imperialGallon_m3 / 60],
    ['ft3/s', foot_m ** 3, 'cfs'],
    ['MGD', (1e6 * gallon_m3) / 86400],
  ],
  volume: [
    ['m3', 1],
    ['l', 1e-3, 'L'],
    ['ml', 1e-6, 'mL cm3'],
    ['gal', gallon_m3],
    ['igal', imperialGallon_m3],
    ['ft3', foot_m ** 3],
    ['in3', inch_m ** 3],
  ],
  area: [
    ['mm2', 1e-6],
    ['cm2', 1e-4],
    ['m2', 1],
    ['in2', inch_m ** 2],
    ['ft2', foot_m ** 2],
  ],
  temperature: [['K', 1]],
  rotation: [
    ['rpm', Math.PI / 30, '1/min r/min rev/min'],
    ['rad/s', 1],
    ['rev/s', 2 * Math.PI, 'r/s'],
  ],
  angle: [
    ['deg', Math.PI / 180],
    ['rad', 1],
  ],
  ratio: [
    ['%', 0.01, 'percent'],
    ['1', 1],
    ['ppm', 1e-6],
  ],
  frequency: [
    ['Hz', 1, '1/s /s samples/s S/s scans/s'],
    ['kHz', 1e3],
  ],
  mass: [
    ['kg', 1],
    ['g', 1e-3],
    ['t', 1e3],
    ['lb', pound_kg, 'lbs'],
  ],
  density: [
    ['kg/m3', 1],
    ['lb/ft3', pound_kg / foot_m ** 3],
    ['slug/ft3', poundForce_N / foot_m ** 4],
  ],
  inertia: [
    ['kg m2', 1, 'kgm2'],
    ['lb ft2', pound_kg * foot_m ** 2, 'lbft2'],
  ],
  force: [
    ['N', 1],
    ['kN', 1e3],
    ['lbf', poundForce_N],
    ['kgf', gravity_mps2, 'kp'],
  ],
  torque: [
    ['N m', 1, 'Nm'],
    ['kN m', 1e3, 'kNm'],
    ['lbf ft', poundForce_N * foot_m, 'lbfft'],
  ],
  stiffness: [['N m/rad', 1, 'Nm/rad']],
  damping: [['N m s/rad', 1, 'Nms/rad']],
  dashpot: [['N m s2/rad2', 1, 'Nms2/rad2']],
  current: [
    ['A', 1],
    ['mA', 1e-3],
    ['uA', 1e-6],
  ],
  power: [
    ['W', 1],
    ['kW', 1e3],
    ['hp', 550 * foot_m * poundForce_N],
  ],
  size: [
    ['B', 1],
    ['kB', 1e3],
    ['MB', 1e6],
    ['GB', 1e9],
    ['TB', 1e12],
  ],
};

/** Temperatures are affine: 0 degC = 273.15 K, t/degC = (t/degF - 32)/1.8; exact (NIST SP 811, B.8). */
const affine: readonly Unit[] = [
  { kind: 'temperature', symbol: 'degC', factor: 1, offset: 273.15, aliases: ['C'] },
  { kind: 'temperature', symbol: 'degF', factor: 1 / 1.8, offset: 273.15 - 32 / 1.8, aliases: ['F'] },
];

/** All units, those of one kind together. */
export const units: readonly Unit[] = [
  ...Object.entries(rows).flatMap(([kind, list]) =>
    list.map(([symbol, factor, aliases]) => ({
      kind: kind as UnitKind,
      symbol,
      factor,
      offset: 0,
      aliases: aliases?.split(' ').map((alias) => alias.replace('_', ' ')) ?? [],
    })),
  ),
  ...affine,
];

/** Names for messages. */
export const kinds: Readonly<Record<UnitKind, KindText>> = {
  length: { name: 'length', example: '154.1 mm', common: ['mm', 'cm', 'm', 'in', 'ft'] },
  time: { name: 'time', example: '5 ms', common: ['us', 'ms', 's', 'min', 'h', 'd'] },
  pressure: {
    name: 'gauge pressure',
    example: '5.4 bar',
    common: ['bar', 'mbar', 'kPa', 'MPa', 'psi', 'mH2O', 'inHg'],
  },
  absolutePressure: {
    name: 'absolute pressure',
    example: '1013 mbar',
    common: ['mbar(a)', 'bar(a)', 'kPa(a)', 'psi(a)', 'inHg(a)'],
  },
  modulus: { name: 'modulus', example: '205 GPa', common: ['GPa', 'MPa', 'psi', 'ksi'] },
  velocity: { name: 'velocity', example: '2.5 m/s', common: ['m/s', 'mm/s', 'ft/s'] },
  acceleration: { name: 'acceleration', example: '9.8 m/s2', common: ['m/s2', 'ft/s2'] },
  flow: {
    name: 'flow',
    example: '180 m3/h',
    common: ['m3/h', 'm3/s', 'l/s', 'l/min', 'gpm', 'ft3/s', 'MGD'],
  },
  volume: { name: 'volume', example: '0.6 m3', common: ['m3', 'l', 'cm3', 'gal', 'ft3'] },
  area: { name: 'area', example: '50 cm2', common: ['mm2', 'cm2', 'm2', 'in2', 'ft2'] },
  temperature: { name: 'temperature', example: '20 degC', common: ['degC', 'degF', 'K'] },
  rotation: { name: 'rotational speed', example: '1480 rpm', common: ['rpm', 'rev/s', 'rad/s'] },
  angle: { name: 'angle', example: '60 deg', common: ['deg', 'rad'] },
  ratio: { name: 'ratio', example: '85 %', common: ['%', 'ppm', 'a plain number where 1 is the whole'] },
  frequency: { name: 'rate', example: '5 kHz', common: ['Hz', 'kHz', 'samples/s'] },
  mass: { name: 'mass', example: '3.4 kg', common: ['kg', 'g', 'lb'] },
  density: { name: 'density', example: '998.2 kg/m3', common: ['kg/m3', 'lb/ft3'] },
  inertia: { name: 'moment of inertia', example: '0.143 kg m2', common: ['kg m2', 'lb ft2'] },
  force: { name: 'force', example: '25 N', common: ['N', 'kN', 'lbf'] },
  torque: { name: 'torque', example: '8.5 N m', common: ['N m', 'lbf ft'] },
  stiffness: { name: 'torsional stiffness', example: '6 N m/rad', common: ['N m/rad'] },
  damping: { name: 'torsional damping', example: '0.1 N m s/rad', common: ['N m s/rad'] },
  dashpot: { name: 'dashpot constant', example: '1000 N m s2/rad2', common: ['N m s2/rad2'] },
  power: { name: 'power', example: '18.5 kW', common: ['W', 'kW', 'hp'] },
  current: { name: 'electric current', example: '20 mA', common: ['mA', 'A', 'uA'] },
  size: { name: 'amount of data', example: '20 GB', common: ['kB', 'MB', 'GB', 'TB'] },
};
