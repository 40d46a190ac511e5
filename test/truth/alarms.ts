export interface AlarmRow {
  readonly seed: number;
}
export function alarmRow(seed: number, _rate_Hz: number): AlarmRow {
  return { seed };
}
export function alarmScenarios(_hours: number, _shift: number): { seed: number; rate_Hz: number }[] {
  return [];
}
export function alarmLines(_rows: readonly AlarmRow[]): string[] {
  return [];
}
