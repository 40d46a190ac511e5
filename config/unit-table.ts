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
  ['bar', 1e5, 'bars'],
  ['psi', psi_Pa, 'lbf/in2 lb/in2 lbs/in2'],
];

const pressures: readonly Row[] = [
  ...stress,
  ['mbar', 100, 'mb millibar millibars'],
  ['hPa', 100],
  ['atm', 101325],
  ['kgf/cm2', 98066.5, 'kp/cm2 at kg/cm2'],
  ['torr', 101325 / 760, 'Torr'],
  ['mmHg', 0.001 * mercury_kgpm3 * gravity_mps2, 'mm_Hg'],
  ['inHg', inch_m * mercury_kgpm3 * gravity_mps2, 'in_Hg'],
  // Head of water always means conventional water here (1000 kg/m3, standard gravity), whatever the rig's temperature.
  ['mmH2O', 0.001 * water_kgpm3 * gravity_mps2, 'mmWC mm_WC mm_H2O'],
  ['cmH2O', 0.01 * water_kgpm3 * gravity_mps2, 'cmWC cm_WC cm_H2O'],
  ['mH2O', water_kgpm3 * gravity_mps2, 'mWC mWS m_WC m_H2O'],
  ['inH2O', inch_m * water_kgpm3 * gravity_mps2, 'inWC in_WC in_H2O'],
  ['ftH2O', foot_m * water_kgpm3 * gravity_mps2, 'ftWC ft_WC ft_H2O'],
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
    ['mm', 1e-3, 'millimetre millimetres millimeter millimeters'],
    ['cm', 1e-2, 'centimetre centimetres centimeter centimeters'],
    ['m', 1, 'metre metres meter meters'],
    ['km', 1e3, 'kilometre kilometres kilometer kilometers'],
    ['um', 1e-6, 'micron microns'],
    ['in', inch_m, 'inch inches ins "'],
    ['ft', foot_m, "foot feet '"],
  ],
  time: [
    ['us', 1e-6, 'usec microsecond microseconds'],
    ['ms', 1e-3, 'msec millisecond milliseconds'],
    ['s', 1, 'sec secs second seconds'],
    ['min', 60, 'mins minute minutes'],
    ['h', 3600, 'hr hrs hour hours'],
    ['d', 86400, 'day days'],
  ],
  pressure: withReference(pressures, 'g', 'gauge', true),
  absolutePressure: withReference(pressures, 'a', 'abs', true),
  modulus: [...stress, ['GPa', 1e9], ['ksi', 1e3 * psi_Pa]],
  velocity: [
    ['m/s', 1, 'mps m/sec'],
    ['mm/s', 1e-3, 'mm/sec'],
    ['cm/s', 1e-2],
    ['km/h', 1 / 3.6, 'kmh kph km/hr'],
    ['ft/s', foot_m, 'fps ft/sec'],
    ['in/s', inch_m, 'ips in/sec'],
  ],
  acceleration: [
    ['m/s2', 1],
    ['ft/s2', foot_m],
  ],
  flow: [
    ['m3/s', 1, 'm3/sec cumec cumecs'],
    ['m3/h', 1 / 3600, 'm3/hr m3h cmh'],
    ['l/s', 1e-3, 'L/s lps l/sec litre/s litres/s liter/s liters/s'],
    ['l/min', 1e-3 / 60, 'L/min lpm litre/min litres/min liter/min liters/min'],
    ['l/h', 1e-3 / 3600, 'L/h lph l/hr'],
    ['gpm', gallon_m3 / 60, 'gal/min USgpm US_gpm'],
    ['igpm', imperialGallon_m3 / 60, 'imp_gpm'],
    ['ft3/s', foot_m ** 3, 'cfs cusec cusecs'],
    ['MGD', (1e6 * gallon_m3) / 86400, 'mgd'],
  ],
  volume: [
    ['m3', 1],
    ['l', 1e-3, 'L litre litres liter liters'],
    ['ml', 1e-6, 'mL cm3 cc'],
    ['gal', gallon_m3, 'US_gal USgal'],
    ['igal', imperialGallon_m3, 'imp_gal'],
    ['ft3', foot_m ** 3, 'cu_ft'],
    ['in3', inch_m ** 3, 'cu_in'],
  ],
  area: [
    ['mm2', 1e-6],
    ['cm2', 1e-4],
    ['m2', 1],
    ['in2', inch_m ** 2],
    ['ft2', foot_m ** 2],
  ],
  temperature: [['K', 1, 'kelvin']],
  rotation: [
    ['rpm', Math.PI / 30, '1/min r/min rev/min r.p.m.'],
    ['rad/s', 1],
    ['rev/s', 2 * Math.PI, 'r/s rps'],
  ],
  angle: [
    ['deg', Math.PI / 180, 'degree degrees'],
    ['rad', 1, 'radian radians'],
  ],
  ratio: [
    ['%', 0.01, 'percent per_cent pct'],
    ['1', 1],
    ['ppm', 1e-6],
  ],
  frequency: [
    ['Hz', 1, '1/s /s samples/s S/s scans/s hertz sps'],
    ['kHz', 1e3, 'kS/s ksps'],
  ],
  mass: [
    ['kg', 1, 'kgs kilogram kilograms'],
    ['g', 1e-3, 'gram grams'],
    ['t', 1e3, 'tonne tonnes'],
    ['lb', pound_kg, 'lbs pound pounds'],
  ],
  density: [
    ['kg/m3', 1],
    ['lb/ft3', pound_kg / foot_m ** 3],
    ['slug/ft3', poundForce_N / foot_m ** 4],
  ],
  inertia: [
    ['kg m2', 1, 'kgm2 kg-m2'],
    ['lb ft2', pound_kg * foot_m ** 2, 'lbft2 lb-ft2'],
  ],
  force: [
    ['N', 1],
    ['kN', 1e3],
    ['lbf', poundForce_N],
    ['kgf', gravity_mps2, 'kp'],
  ],
  torque: [
    ['N m', 1, 'Nm N-m'],
    ['kN m', 1e3, 'kNm'],
    ['lbf ft', poundForce_N * foot_m, 'lbfft lbf-ft ft-lbf ft-lb ft_lb'],
  ],
  stiffness: [['N m/rad', 1, 'Nm/rad']],
  damping: [['N m s/rad', 1, 'Nms/rad']],
  dashpot: [['N m s2/rad2', 1, 'Nms2/rad2']],
  current: [
    ['A', 1, 'amp amps'],
    ['mA', 1e-3, 'milliamp milliamps'],
    ['uA', 1e-6],
  ],
  power: [
    ['W', 1],
    ['kW', 1e3],
    ['hp', 550 * foot_m * poundForce_N, 'horsepower'],
  ],
  size: [
    ['B', 1, 'byte bytes'],
    ['kB', 1e3, 'KB kb'],
    ['MB', 1e6, 'mb'],
    ['GB', 1e9, 'gb'],
    ['TB', 1e12, 'tb'],
  ],
};

/** Temperatures are affine: 0 degC = 273.15 K, t/degC = (t/degF - 32)/1.8; exact (NIST SP 811, B.8). */
const affine: readonly Unit[] = [
  {
    kind: 'temperature',
    symbol: 'degC',
    factor: 1,
    offset: 273.15,
    aliases: ['C', 'deg C', 'degrees C', 'celsius'],
  },
  {
    kind: 'temperature',
    symbol: 'degF',
    factor: 1 / 1.8,
    offset: 273.15 - 32 / 1.8,
    aliases: ['F', 'deg F', 'degrees F', 'fahrenheit'],
  },
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

/** Units that may mean several of one kind, and which. */
export const severalUnits: Partial<Record<UnitKind, Readonly<Record<string, string>>>> = {
  volume: { gallon: 'gal (US) or igal (imperial)', gallons: 'gal (US) or igal (imperial)' },
  mass: {
    ton: 't (1000 kg), or a short or long ton: give it in lb',
    tons: 't (1000 kg), or short or long tons: give them in lb',
  },
  length: {
    mil: 'mm or a thousandth of an inch: give it in mm or in',
    mils: 'mm or thousandths of an inch: give them in mm or in',
  },
  temperature: { deg: 'degC or degF', degrees: 'degC or degF' },
};

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
