/** One line of `npm run bench`. Figures are ratios where they can be: the machines are shared and noisy. */
export interface BenchRow {
  readonly name: string;
  readonly figure: number;
  readonly unit: string;
  /** In words, e.g. `>= 0.95` or `<= 10`. */
  readonly target: string;
  readonly meets: boolean;
  readonly note: string;
}

/** A row that says why this machine gives no figure. */
export function notMeasured(name: string, why: string): BenchRow {
  return { name, figure: 0, unit: '', target: '', meets: false, note: `not measured: ${why}` };
}
