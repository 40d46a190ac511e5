/** Counted cycles by range and mean: what years of counting leave behind. */
import type { CycleSink } from './rainflow.ts';

/** Equal steps of range from 0, and of mean from `meanFrom`; all in the unit of the cycles. */
export interface BinGrid {
  readonly rangeStep: number;
  readonly ranges: number;
  readonly meanFrom: number;
  readonly meanStep: number;
  readonly means: number;
}

/**
 * A table of counts, `ranges` x `means` row by row. A cycle beyond an end is counted in the bin at that end and in
 * `beyond`, so that the total stays right and it shows when the grid is too small. Throws RangeError for a grid without
 * bins or counts of another size.
 */
export class CycleBins {
  readonly grid: BinGrid;
  /** Cycles; halves are 0.5. Mutable, owned by this object: store a copy. */
  readonly counts: Float64Array;
  beyond = 0;

  constructor(grid: BinGrid, counts: ArrayLike<number> | null = null, beyond = 0) {
    const { rangeStep, ranges, meanFrom, meanStep, means } = grid;
    const whole = Number.isInteger(ranges) && Number.isInteger(means) && ranges > 0 && means > 0;
    if (!(rangeStep > 0 && meanStep > 0 && Number.isFinite(meanFrom) && whole)) {
      throw new RangeError(
        `bins: ${JSON.stringify(grid)} found; steps > 0 and whole numbers of bins allowed`,
      );
    }
    if (counts !== null && counts.length !== ranges * means) {
      throw new RangeError(`bins: ${counts.length} counts found, ${ranges * means} allowed`);
    }
    this.grid = grid;
    this.counts = counts === null ? new Float64Array(ranges * means) : Float64Array.from(counts);
    this.beyond = beyond;
  }

  /** Adds a cycle; give it to `Rainflow` as its sink. */
  readonly add: CycleSink = (range, mean, count) => {
    const { rangeStep, ranges, meanFrom, meanStep, means } = this.grid;
    const row = Math.floor(range / rangeStep);
    const column = Math.floor((mean - meanFrom) / meanStep);
    if (row >= ranges || column < 0 || column >= means) this.beyond += count;
    const r = Math.min(row, ranges - 1);
    const c = Math.min(Math.max(column, 0), means - 1);
    this.counts[r * means + c] += count;
  };

  /** Cycles in all. */
  total(): number {
    let sum = 0;
    for (let k = 0; k < this.counts.length; k++) sum += this.counts[k];
    return sum;
  }

  /** Cycles by range, all means together; `ranges` numbers. */
  byRange(): Float64Array {
    const sums = new Float64Array(this.grid.ranges);
    for (let k = 0; k < this.counts.length; k++) sums[Math.floor(k / this.grid.means)] += this.counts[k];
    return sums;
  }

  /** Cycles that count as having the upper end of their range bin: what damage is summed from, on the safe side. */
  atUpperEnds(): { readonly range: number; readonly count: number }[] {
    return Array.from(this.byRange(), (count, row) => ({ range: (row + 1) * this.grid.rangeStep, count }));
  }
}
