/** Repairs of a time column: instants that repeat. */

/** A row that was not used, and why, as a clause. `line` counts from 1. */
export interface RefusedRow {
  readonly line: number;
  readonly why: string;
}

/**
 * A clock coarser than the sampling writes the same time several times: spreads such rows evenly up to the next time.
 * Changes the first `rows` of `time_s` and returns the clock's step in s.
 */
export function spreadStandingTimes(time_s: Float64Array, rows: number): number {
  let step_s = Number.POSITIVE_INFINITY;
  let spacing_s = 0;
  for (let from = 0; from < rows; ) {
    let to = from + 1;
    while (to < rows && time_s[to] === time_s[from]) to++;
    const start_s = time_s[from];
    if (to < rows) {
      step_s = Math.min(step_s, time_s[to] - start_s);
      spacing_s = (time_s[to] - start_s) / (to - from);
    }
    for (let row = from + 1; row < to; row++) time_s[row] = start_s + (row - from) * spacing_s;
    from = to;
  }
  return Number.isFinite(step_s) ? step_s : 0;
}

/** Takes out the rows whose time is that of the row before, by `move(from, to)`, and names them. */
export function dropStandingTimes(
  time_s: Float64Array,
  lines: Int32Array,
  rows: number,
  move: (from: number, to: number) => void,
): RefusedRow[] {
  const refused: RefusedRow[] = [];
  let kept = 1;
  for (let row = 1; row < rows; row++) {
    if (time_s[row] === time_s[kept - 1]) {
      refused.push({ line: lines[row], why: 'the time is that of the row before' });
      continue;
    }
    if (kept < row) move(row, kept);
    kept++;
  }
  return refused;
}

/** Median difference of consecutive instants, in s; 0 for fewer than two. */
export function typicalStep_s(time_s: Float64Array): number {
  if (time_s.length < 2) return 0;
  const steps = new Float64Array(time_s.length - 1);
  for (let i = 0; i < steps.length; i++) steps[i] = time_s[i + 1] - time_s[i];
  return steps.sort()[steps.length >> 1];
}
