/**
 * Errors of an earlier prototype of the analysis on random rigs of the same description (250 hold-out trips): median and
 * 90 % point of |error| in the unit each figure is printed in, at 100 Hz, 500 Hz, 1 kHz and 2 kHz. Sharp closures: spring,
 * lever and plain swing valves, without runs whose later slam exceeds the first and without runs that close before the
 * flow reverses. Softened: lever with an air cushion. 5 kHz is compared with its 2 kHz column. Its largest samples were
 * held against the largest pressure at the tap, its seatings and reversals are instants.
 */
import type { LegResults } from '../../daemon/analysis/verdict.ts';
import type { RigKind } from '../support/random-rig.ts';

export type Column = 100 | 500 | 1000 | 2000;
type Pair = readonly [median: number, ninety: number];
type Row = Partial<Record<Column, Pair>>;

/** Trips of each kind among its sharp and its softened ones. */
export const sharpMix: Partial<Record<RigKind, number>> = { spring: 115, lever: 48, plain: 32 };
export const softenedMix: Partial<Record<RigKind, number>> = { cushion: 55 };

export const sharp: Partial<Record<keyof LegResults, Row>> = {
  trip: { 100: [2.8, 6], 500: [2, 4], 1000: [2.2, 3.3], 2000: [2.1, 3.3] },
  seating: { 100: [3.2, 14], 500: [0.37, 1], 1000: [0.11, 0.32], 2000: [0.16, 0.35] },
  reversal: { 100: [2.7, 7.6], 500: [1.6, 3.2], 1000: [1.6, 2.8], 2000: [1.5, 2.5] },
  staticAfter: { 100: [13, 66], 500: [4, 24], 1000: [3.5, 22], 2000: [3, 19] },
  surgeRaw: { 100: [18, 41], 500: [5, 12], 1000: [3.4, 7.8], 2000: [2.7, 5.9] },
  surge: { 100: [9, 28], 500: [2.5, 5.4], 1000: [1.5, 3.3], 2000: [1.3, 2.9] },
  equivalentReverseVelocity: { 100: [26, 77], 500: [12, 25], 1000: [12, 25], 2000: [12, 25] },
  velocityAtSeating: { 100: [43, 172], 500: [9, 22], 1000: [7, 22], 2000: [9, 23] },
  largestReverseVelocity: { 100: [35, 95], 500: [13, 31], 1000: [11, 23], 2000: [14, 25] },
  waveSpeed: { 100: [1.8, 3.6], 500: [2, 3.6], 1000: [2, 3.8], 2000: [2, 3.6] },
  decelerationMeter: { 100: [2.4, 6.8], 500: [2.1, 5.3], 1000: [2.1, 4.6], 2000: [1.6, 4.3] },
  decelerationMean: { 100: [1.2, 6.9], 500: [0.5, 1.3], 1000: [0.4, 0.9], 2000: [0.3, 0.8] },
  decelerationAtReversal: { 100: [9, 85], 500: [8, 16], 1000: [8, 16], 2000: [8, 15] },
};

export const softened: Partial<Record<keyof LegResults, Row>> = {
  seating: { 100: [6.5, 34], 500: [1.4, 14], 1000: [1.8, 19] },
  staticAfter: { 100: [56, 336], 500: [22, 153], 1000: [22, 137] },
  surgeRaw: { 100: [3.9, 22], 500: [2.1, 10], 1000: [1.4, 7.8] },
  largestReverseVelocity: { 100: [31, 116], 500: [34, 90], 1000: [30, 83] },
};
