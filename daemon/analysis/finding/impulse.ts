/**
 * Velocity of the column from pressure alone: what pushes it, integrated over time, is its change of momentum
 * (pressure-time method, Gibson 1923, from memory): density * length * dV/dt = outlet - back pressure - losses.
 *
 * Approach velocity, inertia of the column and zero of the back pressure are each known with some doubt, and the motion
 * is seen again at the end: the step at seating tells the velocity there, and after it the column rests. All of it goes
 * into one small least-squares problem, V(t) = V0 + g I(t) - h (t - trip), with I the impulse in Pa s, g = 1 / (density *
 * length) and h = g * (error of the back pressure). Each missing channel only widens the answer; each stretch without samples
 * adds an unknown, the part of the velocity's change over it that no straight line between its ends tells.
 */
import { type ColumnFit, fitColumns } from '../../statistics/fit.ts';
import { indexAt, range, type Samples, type Span } from '../../statistics/samples.ts';
import { type Estimate, together } from '../../statistics/uncertainty.ts';
import type { BackPressure } from './levels.ts';

/** No column of water runs faster than sound does in it, in m/s. */
const fastest_mps = 1500;

/** What is known of the column before its motion is looked at. SI; velocity positive from pump to tank. */
export interface ColumnPrior {
  readonly trip_s: number;
  readonly until_s: number;
  readonly density_kgpm3: number;
  readonly approach_mps: Estimate;
  /** Length between tap and tank with the end's inertia. */
  readonly length_m: Estimate;
  readonly backUncertainty_Pa: number;
  /** Stretches without samples: in each the change of the velocity is one more unknown. */
  readonly holes: readonly Hole[];
}

/** A stretch without samples, and how far the change of the velocity over it may be from that by a straight line. */
export interface Hole extends Span {
  readonly uncertainty_mps: number;
}

/** A velocity seen by other means: the mean over a window (an instant when both ends are equal). */
export interface Sighting {
  readonly span: Span;
  readonly velocity_mps: Estimate;
  /** Standard uncertainty that judging the configuration adds: in how far the reading is not what it is taken for. */
  readonly looseness_mps?: number;
}

/** The motion of the column. `time_s` and `velocity_mps` are samples from the trip on. */
export interface Motion {
  readonly velocity: Samples;
  readonly approach_mps: Estimate;
  readonly length_m: Estimate;
  /**
   * How much shorter the column is by all other priors and sightings than its own prior says, over the standard
   * uncertainty of that difference: about normal with deviation 1 when all that is configured is right. Sightings that
   * contradict one another widen it.
   */
  readonly lengthApart_sigmas: number;
  /** Standard uncertainty of the velocity at an instant. */
  uncertaintyAt(at_s: number): number;
}

/** Finds the motion that agrees best with prior and sightings. Null when fewer than four samples lie in the window. */
export function columnMotion(
  outlet: Samples,
  back: BackPressure,
  prior: ColumnPrior,
  sightings: readonly Sighting[],
): Motion | null {
  const first = indexAt(outlet.time_s, prior.trip_s);
  const end = indexAt(outlet.time_s, prior.until_s);
  if (end - first < 4) return null;
  const time_s = outlet.time_s.subarray(first, end);
  const push = new Float64Array(end - first);
  for (let k = 0; k < push.length; k++) push[k] = outlet.value[first + k] - back.value[first + k];
  const column: Column = { time_s, push, loss_Pa: back.loss_Pa, trip_s: prior.trip_s, holes: prior.holes };
  const inertia0 = 1 / (prior.density_kgpm3 * prior.length_m.value);
  const { holes } = prior;
  let state: State = {
    approach: prior.approach_mps.value,
    inertia: inertia0,
    drift: 0,
    jumps: holes.map(() => 0),
    covariance: new Float64Array(0),
  };
  let rows: readonly Row[] = [];
  const velocity = new Float64Array(push.length);
  const impulse = new Float64Array(push.length);
  // The losses depend on the velocity: a few rounds settle to well below the noise.
  for (let round = 0; round < 4; round++) {
    integrate(column, state, impulse, velocity);
    rows = rowsOf(time_s, impulse, prior, sightings, inertia0);
    state = solve(rows);
  }
  integrate(column, state, impulse, velocity);
  // Pressures far beyond what a rig has make the losses run away: no motion is better than an infinite one.
  if (!velocity.every((each) => Math.abs(each) < fastest_mps)) return null;
  const c = state.covariance;
  const unknowns = 3 + holes.length;
  const variance = (i: number, j: number) => c[i * unknowns + j];
  const length_m = 1 / (prior.density_kgpm3 * state.inertia);
  return {
    velocity: { time_s, value: velocity },
    approach_mps: { value: state.approach, uncertainty: Math.sqrt(variance(0, 0)) },
    length_m: { value: length_m, uncertainty: (length_m * Math.sqrt(variance(1, 1))) / state.inertia },
    lengthApart_sigmas: lengthApart(rows),
    uncertaintyAt: (at_s) => {
      const k = Math.min(impulse.length - 1, Math.max(0, indexAt(time_s, at_s)));
      const row = [1, impulse[k], -(time_s[k] - prior.trip_s), ...holes.map((hole) => passed(hole, at_s))];
      let sum = 0;
      for (let i = 0; i < unknowns; i++)
        for (let j = 0; j < unknowns; j++) sum += row[i] * row[j] * variance(i, j);
      return Math.sqrt(Math.max(0, sum));
    },
  };
}

/** What pushes the column: outlet less back pressure in Pa, and its loss at the approach velocity. */
interface Column {
  readonly time_s: Float64Array;
  readonly push: Float64Array;
  readonly loss_Pa: number;
  readonly trip_s: number;
  readonly holes: readonly Hole[];
}

interface State {
  readonly approach: number;
  readonly inertia: number;
  readonly drift: number;
  /** What the velocity changes over each hole besides, in m/s. */
  readonly jumps: readonly number[];
  /** Square, row by row: approach, inertia, drift, jumps. */
  readonly covariance: Float64Array;
}

function diagonal(deviations: readonly number[]): Float64Array {
  const n = deviations.length;
  return Float64Array.from({ length: n * n }, (_, k) =>
    k % (n + 1) === 0 ? deviations[k / (n + 1)] ** 2 : 0,
  );
}

/** How much of a hole lies behind an instant, 0 to 1. */
function passed({ from_s, to_s }: Span, at_s: number): number {
  return Math.min(1, Math.max(0, (at_s - from_s) / (to_s - from_s)));
}

/** Fills impulse and velocity by the trapezium rule; losses follow the square of the velocity with its sign. */
function integrate(
  { time_s, push, loss_Pa, trip_s, holes }: Column,
  state: State,
  impulse: Float64Array,
  velocity: Float64Array,
): void {
  const perSquare = state.approach > 0.05 ? loss_Pa / (state.approach * state.approach) : 0;
  let now = state.approach;
  let sum = 0;
  let netBefore = 0;
  let timeBefore = trip_s;
  for (let k = 0; k < time_s.length; k++) {
    const net = push[k] - perSquare * now * Math.abs(now);
    sum += 0.5 * (net + netBefore) * (time_s[k] - timeBefore);
    now = state.approach + state.inertia * sum - state.drift * (time_s[k] - trip_s);
    for (let i = 0; i < holes.length; i++) now += state.jumps[i] * passed(holes[i], time_s[k]);
    impulse[k] = sum;
    velocity[k] = now;
    netBefore = net;
    timeBefore = time_s[k];
  }
}

/** One prior or sighting: cells . (approach, inertia, drift) = value, with its standard uncertainty. */
interface Row {
  readonly cells: readonly number[];
  readonly value: number;
  readonly u: number;
  /** What judging the configuration adds to it. */
  readonly looseness: number;
}

/** Priors of approach, inertia and drift, then the sightings. */
function rowsOf(
  time_s: Float64Array,
  impulse: Float64Array,
  prior: ColumnPrior,
  sightings: readonly Sighting[],
  inertia0: number,
): readonly Row[] {
  const { approach_mps, length_m, backUncertainty_Pa, holes } = prior;
  const row = (cells: readonly number[], value: number, u: number, looseness = 0): Row => ({
    cells,
    value,
    u,
    looseness,
  });
  const none = holes.map(() => 0);
  return [
    row([1, 0, 0, ...none], approach_mps.value, approach_mps.uncertainty),
    row([0, 1, 0, ...none], inertia0, (inertia0 * length_m.uncertainty) / length_m.value),
    row([0, 0, 1, ...none], 0, inertia0 * backUncertainty_Pa),
    ...holes.map(({ uncertainty_mps }, at) =>
      row([0, 0, 0, ...none.map((_, k) => (k === at ? 1 : 0))], 0, uncertainty_mps),
    ),
    ...sightings.map(({ span, velocity_mps, looseness_mps }) => {
      const [meanImpulse, meanTime_s] = meansOver(time_s, impulse, span);
      const behind = holes.map((hole) => meanPassed(hole, span));
      const cells = [1, meanImpulse, -(meanTime_s - prior.trip_s), ...behind];
      return row(cells, velocity_mps.value, velocity_mps.uncertainty, looseness_mps);
    }),
  ];
}

/** Weighted least squares of the three unknowns on their priors and the sightings; every row has unit variance. */
function solve(rows: readonly Row[]): State {
  const unknowns = rows[0].cells.length;
  const fit = fitRows(rows);
  if (fit === null) {
    return {
      approach: rows[0].value,
      inertia: rows[1].value,
      drift: 0,
      jumps: rows.slice(3, unknowns).map(() => 0),
      covariance: diagonal(rows.slice(0, unknowns).map(({ u }) => u)),
    };
  }
  // More scatter than the uncertainties allow widens them all alike.
  const stretch = Math.max(1, fit.squares / (rows.length - unknowns));
  return {
    approach: fit.coefficients[0],
    inertia: fit.coefficients[1],
    drift: fit.coefficients[2],
    jumps: Array.from(fit.coefficients.subarray(3)),
    covariance: fit.inverse.map((value) => value * stretch),
  };
}

/** Weighted least squares of the unknowns; null with no more rows than those. */
function fitRows(rows: readonly Row[]): ColumnFit | null {
  const floor = (u: number) => Math.max(u, 1e-12);
  return fitColumns(
    rows[0].cells.map((_, c) => Float64Array.from(rows, (row) => row.cells[c] / floor(row.u))),
    Float64Array.from(rows, (row) => row.value / floor(row.u)),
  );
}

/**
 * The inertia's own row (the second) against all others, each as loose as judging the configuration makes it. What the fit
 * leaves of that row has the variance u^2 minus that of the fitted value. The squares left over are chi-squared of one
 * degree less; more than that widens all alike (Birge).
 */
function lengthApart(tight: readonly Row[]): number {
  const rows = tight.map((row) => ({ ...row, u: together(row.u, row.looseness) }));
  const fit = fitRows(rows);
  if (fit === null) return 0;
  const { value, u } = rows[1];
  const variance = u * u - fit.inverse[rows[0].cells.length + 1];
  if (!(variance > 1e-12 * u * u)) return 0;
  const apart = (fit.coefficients[1] - value) / Math.sqrt(variance);
  const freedom = rows.length - rows[0].cells.length - 1;
  const scatter = freedom > 0 ? Math.max(1, (fit.squares - apart * apart) / freedom) : 1;
  return apart / Math.sqrt(scatter);
}

/** Mean impulse and mean time over a window, by straight lines at an instant. */
function meansOver(time_s: Float64Array, impulse: Float64Array, span: Span): readonly [number, number] {
  const [first, end] = range(time_s, span);
  if (end - first < 2) {
    const at_s = (span.from_s + span.to_s) / 2;
    const k = Math.min(time_s.length - 1, Math.max(1, indexAt(time_s, at_s)));
    const share = (at_s - time_s[k - 1]) / (time_s[k] - time_s[k - 1]);
    return [impulse[k - 1] + Math.min(1, Math.max(0, share)) * (impulse[k] - impulse[k - 1]), at_s];
  }
  let area = 0;
  for (let k = first + 1; k < end; k++)
    area += 0.5 * (impulse[k] + impulse[k - 1]) * (time_s[k] - time_s[k - 1]);
  return [area / (time_s[end - 1] - time_s[first]), (time_s[end - 1] + time_s[first]) / 2];
}

/** Mean over a window of how much of a hole lies behind. */
function meanPassed(hole: Hole, { from_s, to_s }: Span): number {
  if (to_s <= from_s) return passed(hole, from_s);
  let sum = 0;
  for (let k = 0; k < 20; k++) sum += passed(hole, from_s + ((k + 0.5) / 20) * (to_s - from_s));
  return sum / 20;
}

/** First instant at which the velocity falls through zero in a window, by straight lines; null when it does not. */
export function reversal_s(velocity: Samples, span: Span): number | null {
  const { time_s, value } = velocity;
  for (let k = Math.max(1, indexAt(time_s, span.from_s)); k < time_s.length && time_s[k] <= span.to_s; k++) {
    if (value[k] > 0 || value[k - 1] <= 0) continue;
    return time_s[k - 1] + (value[k - 1] / (value[k - 1] - value[k])) * (time_s[k] - time_s[k - 1]);
  }
  return null;
}

/**
 * Velocity at the valve over the last 2L/a before seating, from pressure alone (method of characteristics): the wave
 * that leaves the valve at t is back, turned over, at t + 2L/a, when the valve is shut. So
 * V(t) = -(p(t) + p(t + 2L/a) - 2 p_back) / (density * wave speed). And forward, from the velocity one return earlier:
 * V(t) = V(t - 2L/a) + (p(t) + p(t - 2L/a) - 2 p_back) / (density * wave speed). Their mean is returned: the first
 * reads a little low where the end swallows part of the wave, the second a little high.
 */
export function valveVelocity_mps(
  at_s: number,
  pressure: (at_s: number) => number,
  wave: {
    readonly plateau_s: number;
    readonly back_Pa: number;
    /** Density times wave speed, in Pa s/m. */
    readonly impedance: number;
    readonly velocityEarlier_mps: number;
  },
): number {
  const here = pressure(at_s) - 2 * wave.back_Pa;
  const backward = -(here + pressure(at_s + wave.plateau_s)) / wave.impedance;
  const forward = wave.velocityEarlier_mps + (here + pressure(at_s - wave.plateau_s)) / wave.impedance;
  return (backward + forward) / 2;
}
