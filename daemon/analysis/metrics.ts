/**
 * THE table of metrics: every number of a leg's verdict, in the order of the file. Names of results, of columns, of what
 * receivers get, and all words for people derive from it. Adding a metric is one row here, one function in judging/ and one
 * reference test. A name is never reused for something else. Data and nothing else, no imports: the dashboard has it too.
 */

/** SI. */
export type MetricUnit = 's' | 'Pa' | 'Pa/s' | 'm/s' | 'm/s2' | 'Hz' | 'N' | '1';

/** Under which heading it is printed. */
export type MetricGroup = 'reverse flow' | 'surge' | 'pressure' | 'time' | 'flow' | 'ringing' | 'load';

/** What is known of a leg from the rig file. */
export type LegFact = 'density' | 'waveSpeed' | 'length' | 'inertiaLength' | 'bore' | 'rating';

/** A symbol of a formula: a fact of the rig file, or a reading. Another metric is named by its key. */
export interface FormulaSymbol {
  readonly symbol: string;
  readonly meaning: string;
  /** Where its value stands; absent: nowhere, it is a reading. */
  readonly leg?: LegFact;
}

/** One row; `Name` is the key of a row. */
interface Row<Name extends string> {
  /** For people. Behind the comma: which one of its kind, enough where the kind stands above it. */
  readonly name: string;
  /** `_` before a letter or word: an index. */
  readonly symbol: string;
  readonly unit: MetricUnit;
  readonly group: MetricGroup;
  /** In words that need no textbook. */
  readonly definition: string;
  /** Decimal places of an exact number in the unit that people read; otherwise its interval decides. */
  readonly digits: number;
  readonly formula: string;
  readonly symbols: readonly (Name | FormulaSymbol)[];
  /** Read as per cent. */
  readonly isShare?: true;
}

const density: FormulaSymbol = { symbol: 'ρ', meaning: 'density of the water', leg: 'density' };
const waveSpeed: FormulaSymbol = { symbol: 'a', meaning: 'wave speed of the rig file', leg: 'waveSpeed' };
const inertiaLength: FormulaSymbol = {
  symbol: 'L′',
  meaning: 'length of the column that has to be slowed',
  leg: 'inertiaLength',
};
const length: FormulaSymbol = { symbol: 'L', meaning: 'valve to reflecting end', leg: 'length' };
const outlet: FormulaSymbol = { symbol: 'p_out', meaning: 'outlet pressure' };
const inlet: FormulaSymbol = { symbol: 'p_in', meaning: 'inlet pressure' };
const way: FormulaSymbol = { symbol: 'x', meaning: 'way from the seat to the tap' };
const meter: FormulaSymbol = { symbol: 'V_m', meaning: 'meter' };
const meterLag: FormulaSymbol = { symbol: 'τ', meaning: 'response time of the meter' };
/** Momentum of a stiff column (Wylie and Streeter, Fluid Transients, from memory). */
const motion = 'V(t) = V(t_0) + 1/(ρ L′) · ∫ (p_out − p_back) dt';
const impulse: readonly FormulaSymbol[] = [
  outlet,
  { symbol: 'p_back', meaning: 'pressure that the column leans on: the tank and what lies between' },
  { symbol: 't_0', meaning: 'where the velocity is known: at the trip by the meter, at rest after seating' },
  density,
  inertiaLength,
];
const swing = 'p_out ≈ p_s + A e^(−t/T) cos(2π f t + φ)';

const table = {
  trip: {
    name: 'Trip',
    symbol: 't_T',
    unit: 's',
    group: 'time',
    definition: 'The pump loses its drive. All other instants are counted from it.',
    digits: 0,
    formula: 't_T = t_edge − t_delay',
    symbols: [
      { symbol: 't_edge', meaning: 'edge of the contact, or the knee of the pressure' },
      {
        symbol: 't_delay',
        meaning: 'how much later than the loss of drive the contact moves (rig file)',
      },
    ],
  },
  reversal: {
    name: 'Flow reversal',
    symbol: 't_R',
    unit: 's',
    group: 'time',
    definition: 'The flow in the leg passes zero before it runs back.',
    digits: 0,
    formula: `${motion};  V(t_R) = 0`,
    symbols: impulse,
  },
  seating: {
    name: 'Seating',
    symbol: 't_S',
    unit: 's',
    group: 'time',
    definition: 'The valve shuts: the outlet pressure jumps.',
    digits: 0,
    formula: 't_S = t_front − x/a − τ',
    symbols: [
      { symbol: 't_front', meaning: 'front of the outlet pressure, fitted between samples' },
      way,
      { symbol: 'τ', meaning: 'response time of the sensor' },
      waveSpeed,
    ],
  },
  closingTime: {
    name: 'Closing time',
    symbol: 't_close',
    unit: 's',
    group: 'time',
    definition: 'From trip to seating.',
    digits: 0,
    formula: 't_close = t_S − t_T',
    symbols: ['seating', 'trip'],
  },
  stopTime: {
    name: 'Column stopped in',
    symbol: 't_stop',
    unit: 's',
    group: 'time',
    definition: 'From trip to flow reversal: how long the column took to come to rest.',
    digits: 0,
    formula: 't_stop = t_R − t_T',
    symbols: ['reversal', 'trip'],
  },
  reverseFlowTime: {
    name: 'Reverse flow lasted',
    symbol: 't_rev',
    unit: 's',
    group: 'time',
    definition: 'From flow reversal to seating.',
    digits: 0,
    formula: 't_rev = t_S − t_R',
    symbols: ['seating', 'reversal'],
  },
  discTravelTime: {
    name: 'Disc travel',
    symbol: 't_disc',
    unit: 's',
    group: 'time',
    definition: 'From first movement of the disc to seating, where its position is measured.',
    digits: 0,
    formula: 't_disc = t_seat − t_move',
    symbols: [
      { symbol: 't_move', meaning: 'first movement of the disc' },
      { symbol: 't_seat', meaning: 'disc on its seat' },
    ],
  },
  staticBefore: {
    name: 'Static before',
    symbol: 'p_b',
    unit: 'Pa',
    group: 'pressure',
    definition: 'Outlet pressure at the trip, from a straight line through the time before it.',
    digits: 3,
    formula: 'p_b = p_out(t_T),  on a straight line',
    symbols: [outlet, 'trip'],
  },
  staticAfter: {
    name: 'Static after',
    symbol: 'p_s',
    unit: 'Pa',
    group: 'pressure',
    definition: 'Outlet pressure once the ringing is over.',
    digits: 3,
    formula: 'p_s = p_tank + c',
    symbols: [
      { symbol: 'p_tank', meaning: 'tank pressure 50 ms after seating' },
      { symbol: 'c', meaning: 'settled difference of outlet and tank' },
    ],
  },
  peakRaw: {
    name: 'Peak, as sampled',
    symbol: 'p_raw',
    unit: 'Pa',
    group: 'pressure',
    definition: 'Largest sample of the outlet pressure after seating.',
    digits: 3,
    formula: 'p_raw = max p_out',
    symbols: [outlet],
  },
  peak: {
    name: 'Peak',
    symbol: 'p_max',
    unit: 'Pa',
    group: 'pressure',
    definition: 'Largest outlet pressure, corrected for what sampling and sensor cannot show.',
    digits: 3,
    formula: 'p_max = p_raw + missed − noise',
    symbols: [
      'peakRaw',
      {
        symbol: 'missed',
        meaning: 'what falls between samples, is smoothed by the sensor or lost on the way to the tap',
      },
      { symbol: 'noise', meaning: 'what noise adds to a largest sample' },
    ],
  },
  minimum: {
    name: 'Minimum',
    symbol: 'p_min',
    unit: 'Pa',
    group: 'pressure',
    definition: 'Smallest outlet pressure.',
    digits: 3,
    formula: 'p_min = min p_out',
    symbols: [outlet],
  },
  captureFraction: {
    name: 'Capture',
    symbol: 'share',
    unit: '1',
    group: 'surge',
    definition: 'The share of a true peak that this sampling rate and this sensor can show.',
    digits: 0,
    formula: 'n = 2 (L − x)/a · f_s;  share = shown surge / true surge',
    symbols: [{ symbol: 'f_s', meaning: 'sampling rate' }, way, length, waveSpeed],
    isShare: true,
  },
  surgeRaw: {
    name: 'Surge, as sampled',
    symbol: 'Δp_raw',
    unit: 'Pa',
    group: 'surge',
    definition: 'Peak as sampled less static after.',
    digits: 3,
    formula: 'Δp_raw = p_raw − p_s',
    symbols: ['peakRaw', 'staticAfter'],
  },
  surge: {
    name: 'Surge over static',
    symbol: 'Δp',
    unit: 'Pa',
    group: 'surge',
    definition: 'Peak less static after: the figure usual in the trade.',
    digits: 3,
    formula: 'Δp = p_max − p_s',
    symbols: ['peak', 'staticAfter'],
  },
  surgeOverBefore: {
    name: 'Surge over static before',
    symbol: 'Δp_b',
    unit: 'Pa',
    group: 'surge',
    definition: 'Peak less the static pressure before the trip.',
    digits: 3,
    formula: 'Δp_b = p_max − p_b',
    symbols: ['peak', 'staticBefore'],
  },
  sag: {
    name: 'Sag',
    symbol: 'sag',
    unit: 'Pa',
    group: 'surge',
    definition: 'How far the outlet pressure lay below static just before seating.',
    digits: 3,
    formula: 'sag = p_s − p_out(just before t_S)',
    symbols: ['staticAfter', outlet, 'seating'],
  },
  seatingStep: {
    name: 'Seating step',
    symbol: 'δp',
    unit: 'Pa',
    group: 'surge',
    definition:
      'Outlet pressure just after seating less just before: not peak less static, which includes the sag.',
    digits: 3,
    formula: 'δp = p_out(just after t_S) − p_out(just before)',
    symbols: [outlet, 'seating'],
  },
  ratingMargin: {
    name: 'Margin to rating',
    symbol: 'm',
    unit: 'Pa',
    group: 'load',
    definition: 'Pressure rating of pipe or valve, whichever is lower, less the peak.',
    digits: 3,
    formula: 'm = p_rated − p_max',
    symbols: [{ symbol: 'p_rated', meaning: 'lower rating of pipe and valve', leg: 'rating' }, 'peak'],
  },
  approachVelocity: {
    name: 'Flow before trip',
    symbol: 'V_0',
    unit: 'm/s',
    group: 'flow',
    definition: 'Velocity in the leg at the trip: a straight line through the last 0.8 s of the meter.',
    digits: 3,
    formula: 'V_0 = V_m + τ · dV_m/dt,  at the trip',
    symbols: [{ symbol: 'V_m', meaning: 'meter, as a straight line before the trip' }, meterLag],
  },
  largestReverseVelocity: {
    name: 'Reverse velocity, largest',
    symbol: 'V_max',
    unit: 'm/s',
    group: 'reverse flow',
    definition: 'The fastest the water ran backwards, from the impulse of the pressures on the column.',
    digits: 3,
    formula: `${motion};  V_max = max(−V)`,
    symbols: impulse,
  },
  velocityAtSeating: {
    name: 'Reverse velocity, at seating',
    symbol: 'V_S',
    unit: 'm/s',
    group: 'reverse flow',
    definition:
      'How fast it still ran backwards when the valve shut: seating step over density times wave speed.',
    digits: 3,
    formula: 'V_S = δp / (ρ a)',
    symbols: ['seatingStep', density, waveSpeed],
  },
  equivalentReverseVelocity: {
    name: 'Reverse velocity',
    symbol: 'V_eq',
    unit: 'm/s',
    group: 'reverse flow',
    definition:
      'Equivalent: the velocity whose sudden stop would make this surge. It decides the class. Softened closures: between that at seating and the largest.',
    digits: 3,
    formula: 'V_eq = (Δp − ρ L′ d) / (ρ a)',
    symbols: [
      'surge',
      { symbol: 'd', meaning: 'deceleration over the last 10 ms before seating, not below zero' },
      inertiaLength,
      density,
      waveSpeed,
    ],
  },
  inletReverseVelocity: {
    name: 'Reverse velocity, from the inlet',
    symbol: 'V_in',
    unit: 'm/s',
    group: 'reverse flow',
    definition: 'The same from the pressure before the valve; only a lower bound once the inlet cavitates.',
    digits: 3,
    formula: 'V_in = δp_in / (ρ a)',
    symbols: [{ symbol: 'δp_in', meaning: 'fall of the inlet pressure at seating' }, density, waveSpeed],
  },
  decelerationAtReversal: {
    name: 'Deceleration, at reversal',
    symbol: 'd_R',
    unit: 'm/s2',
    group: 'flow',
    definition: 'How fast the column was losing velocity when it stood still: 20 ms mean round the reversal.',
    digits: 3,
    formula: `${motion};  d_R = −dV/dt at t_R`,
    symbols: [...impulse, 'reversal'],
  },
  decelerationMean: {
    name: 'Mean deceleration',
    symbol: 'd',
    unit: 'm/s2',
    group: 'flow',
    definition:
      'Flow before trip over the time to reversal: how hard the column was slowed. At reversal it is usually 30 to 50 % more.',
    digits: 3,
    formula: 'd = V_0 / (t_R − t_T)',
    symbols: ['approachVelocity', 'reversal', 'trip'],
  },
  decelerationMeter: {
    name: 'Deceleration, by the meter',
    symbol: 'd_m',
    unit: 'm/s2',
    group: 'flow',
    definition: 'Deceleration from the lag-corrected meter, as a cross-check.',
    digits: 3,
    formula: 'V = V_m + τ · dV_m/dt;  d_m = V_0 / t(V = 0)',
    symbols: [meter, meterLag, 'approachVelocity'],
  },
  waveSpeed: {
    name: 'Wave speed',
    symbol: 'a',
    unit: 'm/s',
    group: 'ringing',
    definition:
      'Speed of pressure waves, from the ringing or from the front between two taps, whichever is surer; a low one hints at free gas.',
    digits: 0,
    formula: 'a = 4 f L · e  or  Δx / Δt',
    symbols: [
      { symbol: 'Δx', meaning: 'way from outlet tap to mid tap' },
      { symbol: 'Δt', meaning: 'time that the front of the seating needs for it' },
      'ringFrequency',
      length,
      { symbol: 'e', meaning: 'correction for the inertia of the end' },
    ],
  },
  ringFrequency: {
    name: 'Ringing',
    symbol: 'f',
    unit: 'Hz',
    group: 'ringing',
    definition: 'Frequency of the pressure ringing after seating.',
    digits: 2,
    formula: swing,
    symbols: [outlet, 'staticAfter'],
  },
  ringDecay: {
    name: 'Ring decay',
    symbol: 'T',
    unit: 's',
    group: 'ringing',
    definition: 'Time in which the ringing falls to a third (1/e).',
    digits: 0,
    formula: swing,
    symbols: [outlet, 'staticAfter', 'ringFrequency'],
  },
  reopenings: {
    name: 'Re-openings',
    symbol: 'n',
    unit: '1',
    group: 'ringing',
    definition: 'How often the valve left its seat again.',
    digits: 0,
    formula: 'spells with p_in > p_out after t_S',
    symbols: [inlet, outlet, 'seating'],
  },
  leakVelocity: {
    name: 'Leak',
    symbol: 'V_leak',
    unit: 'm/s',
    group: 'flow',
    definition: 'Velocity in the leg that runs back through the shut valve, once the meter has settled.',
    digits: 3,
    formula: 'V_leak = −V_m,  at rest',
    symbols: [meter],
  },
  leakArea: {
    name: 'Leak, opening',
    symbol: 'A_leak',
    unit: '1',
    group: 'flow',
    definition: 'Opening that lets this leak through, as a share of the bore.',
    digits: 2,
    formula: 'A_leak = V_leak / √(2 Δp_v/ρ)',
    symbols: ['leakVelocity', { symbol: 'Δp_v', meaning: 'pressure over the shut valve' }, density],
    isShare: true,
  },
  staticDecay: {
    name: 'Static, fall',
    symbol: 'dp_s',
    unit: 'Pa/s',
    group: 'pressure',
    definition: 'How fast the outlet pressure falls after closure: leaks and the cooling tank.',
    digits: 4,
    formula: 'dp_s = −d p_out/dt,  settled',
    symbols: [outlet],
  },
  anchorLoad: {
    name: 'Anchor load',
    symbol: 'F',
    unit: 'N',
    group: 'load',
    definition: 'Largest pressure difference over the shut valve times bore area: the load on the anchors.',
    digits: 3,
    formula: 'F = max(p_out − p_in) · π/4 · D²',
    symbols: [outlet, inlet, { symbol: 'D', meaning: 'bore', leg: 'bore' }],
  },
} as const satisfies Readonly<Record<string, Row<string>>>;

/** Name of a metric: the key in results, in files, in the API and at every receiver. */
export type MetricName = keyof typeof table;

export type Metric = Row<MetricName>;

export const metrics: Readonly<Record<MetricName, Metric>> = table;

/** All of them, in the order of the file. */
export const metricNames = Object.keys(table) as readonly MetricName[];

/** Names that results hold: those of the table in its order, then what other software put there. */
export function namesIn(results: Readonly<Record<string, unknown>>): readonly string[] {
  const known: readonly string[] = metricNames;
  return [
    ...known.filter((name) => results[name] !== undefined),
    ...Object.keys(results).filter((name) => !known.includes(name)),
  ];
}
