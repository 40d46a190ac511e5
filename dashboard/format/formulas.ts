/**
 * The formula of each number with its symbols. `_` before a letter or word: an index. The physics is the momentum of a stiff
 * column and the pressure step of Joukowsky (Wylie and Streeter, Fluid Transients, from memory).
 */
import type { ResultKey } from './words.ts';

/** What is known of a leg from the rig file. */
export type LegFact = 'density' | 'waveSpeed' | 'length' | 'inertiaLength' | 'bore' | 'rating';

export interface FormulaSymbol {
  readonly symbol: string;
  readonly meaning: string;
  /** Where its value stands: in the verdict, in the rig file, or nowhere (a reading). */
  readonly from: { readonly result: ResultKey } | { readonly leg: LegFact } | null;
}

export interface Formula {
  readonly text: string;
  readonly symbols: readonly FormulaSymbol[];
}

const result = (symbol: string, meaning: string, key: ResultKey): FormulaSymbol => ({
  symbol,
  meaning,
  from: { result: key },
});
const known = (symbol: string, meaning: string, leg: LegFact): FormulaSymbol => ({
  symbol,
  meaning,
  from: { leg },
});
const reading = (symbol: string, meaning: string): FormulaSymbol => ({ symbol, meaning, from: null });

const density = known('ρ', 'density of the water', 'density');
const waveSpeed = known('a', 'wave speed of the rig file', 'waveSpeed');
const inertiaLength = known('L′', 'length of the column that has to be slowed', 'inertiaLength');
const trip = result('t_T', 'trip, on the clock of the record', 'trip');
const reversal = result('t_R', 'flow reversal', 'reversal');
const seating = result('t_S', 'seating', 'seating');
const approach = result('V_0', 'flow before trip', 'approachVelocity');
const after = result('p_s', 'static after', 'staticAfter');
const peak = result('p_max', 'peak', 'peak');
const peakRaw = result('p_raw', 'largest sample', 'peakRaw');
const outlet = reading('p_out', 'outlet pressure');
const impulse: readonly FormulaSymbol[] = [
  outlet,
  reading('p_back', 'pressure that the column leans on: the tank and what lies between'),
  reading('t_0', 'where the velocity is known: at the trip by the meter, at rest after seating'),
  density,
  inertiaLength,
];
const motion = 'V(t) = V(t_0) + 1/(ρ L′) · ∫ (p_out − p_back) dt';

export const formulas: Readonly<Record<ResultKey, Formula>> = {
  trip: {
    text: 't_T = t_edge − t_delay',
    symbols: [
      reading('t_edge', 'edge of the contact, or the knee of the pressure'),
      reading('t_delay', 'how much later than the loss of drive the contact moves (rig file)'),
    ],
  },
  reversal: { text: `${motion};  V(t_R) = 0`, symbols: impulse },
  seating: {
    text: 't_S = t_front − x/a − τ',
    symbols: [
      reading('t_front', 'front of the outlet pressure, fitted between samples'),
      reading('x', 'way from the seat to the tap'),
      reading('τ', 'response time of the sensor'),
      waveSpeed,
    ],
  },
  approachVelocity: {
    text: 'V_0 = V_m + τ · dV_m/dt,  at the trip',
    symbols: [
      reading('V_m', 'meter, as a straight line before the trip'),
      reading('τ', 'response time of the meter'),
    ],
  },
  staticBefore: { text: 'p_b = p_out(t_T),  on a straight line', symbols: [outlet, trip] },
  staticAfter: {
    text: 'p_s = p_tank + c',
    symbols: [
      reading('p_tank', 'tank pressure 50 ms after seating'),
      reading('c', 'settled difference of outlet and tank'),
    ],
  },
  peakRaw: { text: 'p_raw = max p_out', symbols: [outlet] },
  peak: {
    text: 'p_max = p_raw + missed − noise',
    symbols: [
      peakRaw,
      reading(
        'missed',
        'what falls between samples, is smoothed by the sensor or lost on the way to the tap',
      ),
      reading('noise', 'what noise adds to a largest sample'),
    ],
  },
  minimum: { text: 'p_min = min p_out', symbols: [outlet] },
  captureFraction: {
    text: 'n = 2 (L − x)/a · f_s;  share = shown surge / true surge',
    symbols: [
      reading('f_s', 'sampling rate'),
      reading('x', 'way from the seat to the tap'),
      known('L', 'valve to reflecting end', 'length'),
      waveSpeed,
    ],
  },
  surgeRaw: { text: 'Δp_raw = p_raw − p_s', symbols: [peakRaw, after] },
  surge: { text: 'Δp = p_max − p_s', symbols: [peak, after] },
  surgeOverBefore: {
    text: 'Δp_b = p_max − p_b',
    symbols: [peak, result('p_b', 'static before', 'staticBefore')],
  },
  sag: { text: 'sag = p_s − p_out(just before t_S)', symbols: [after, outlet, seating] },
  seatingStep: { text: 'δp = p_out(just after t_S) − p_out(just before)', symbols: [outlet, seating] },
  largestReverseVelocity: { text: `${motion};  V_max = max(−V)`, symbols: impulse },
  velocityAtSeating: {
    text: 'V_S = δp / (ρ a)',
    symbols: [result('δp', 'seating step', 'seatingStep'), density, waveSpeed],
  },
  equivalentReverseVelocity: {
    text: 'V_eq = (Δp − ρ L′ d) / (ρ a)',
    symbols: [
      result('Δp', 'surge over static', 'surge'),
      reading('d', 'deceleration over the last 10 ms before seating, not below zero'),
      inertiaLength,
      density,
      waveSpeed,
    ],
  },
  inletReverseVelocity: {
    text: 'V_in = δp_in / (ρ a)',
    symbols: [reading('δp_in', 'fall of the inlet pressure at seating'), density, waveSpeed],
  },
  closingTime: { text: 't_close = t_S − t_T', symbols: [seating, trip] },
  reverseFlowTime: { text: 't_rev = t_S − t_R', symbols: [seating, reversal] },
  stopTime: { text: 't_stop = t_R − t_T', symbols: [reversal, trip] },
  discTravelTime: {
    text: 't_disc = t_seat − t_move',
    symbols: [reading('t_move', 'first movement of the disc'), reading('t_seat', 'disc on its seat')],
  },
  decelerationAtReversal: { text: `${motion};  d_R = −dV/dt at t_R`, symbols: [...impulse, reversal] },
  decelerationMean: { text: 'd = V_0 / (t_R − t_T)', symbols: [approach, reversal, trip] },
  decelerationMeter: {
    text: 'V = V_m + τ · dV_m/dt;  d_m = V_0 / t(V = 0)',
    symbols: [reading('V_m', 'meter'), reading('τ', 'response time of the meter'), approach],
  },
  waveSpeed: {
    text: 'a = 4 f L · e  or  Δx / Δt',
    symbols: [
      reading('Δx', 'way from outlet tap to mid tap'),
      reading('Δt', 'time that the front of the seating needs for it'),
      result('f', 'ringing', 'ringFrequency'),
      known('L', 'valve to reflecting end', 'length'),
      reading('e', 'correction for the inertia of the end'),
    ],
  },
  ringFrequency: { text: 'p_out ≈ p_s + A e^(−t/T) cos(2π f t + φ)', symbols: [outlet, after] },
  ringDecay: {
    text: 'p_out ≈ p_s + A e^(−t/T) cos(2π f t + φ)',
    symbols: [outlet, after, result('f', 'ringing', 'ringFrequency')],
  },
  reopenings: {
    text: 'spells with p_in > p_out after t_S',
    symbols: [reading('p_in', 'inlet pressure'), outlet, seating],
  },
  anchorLoad: {
    text: 'F = max(p_out − p_in) · π/4 · D²',
    symbols: [outlet, reading('p_in', 'inlet pressure'), known('D', 'bore', 'bore')],
  },
  ratingMargin: {
    text: 'm = p_rated − p_max',
    symbols: [known('p_rated', 'lower rating of pipe and valve', 'rating'), peak],
  },
};
