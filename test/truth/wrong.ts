export interface WrongRow {
  readonly seed: number;
}
export function wrongRow(seed: number, _rate_Hz: number): WrongRow {
  return { seed };
}
export function wrongLines(_rows: readonly WrongRow[], _rate_Hz: number): string[] {
  return [];
}
