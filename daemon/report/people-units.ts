/** The unit in which people read a metric: metric units on a terminal. */
import { type MetricName, type MetricUnit, metrics } from '../analysis/metrics.ts';

/** A symbol, and what an SI number is multiplied by to be in it. */
export interface PeopleUnit {
  readonly symbol: string;
  readonly factor: number;
}

const units: Readonly<Record<MetricUnit, PeopleUnit>> = {
  s: { symbol: 'ms', factor: 1e3 },
  Pa: { symbol: 'bar', factor: 1e-5 },
  'Pa/s': { symbol: 'bar/s', factor: 1e-5 },
  'm/s': { symbol: 'm/s', factor: 1 },
  'm/s2': { symbol: 'm/s²', factor: 1 },
  Hz: { symbol: 'Hz', factor: 1 },
  N: { symbol: 'kN', factor: 1e-3 },
  '1': { symbol: '', factor: 1 },
};

/** The trip stands on the clock of the record, so it is in s; shares are read as per cent. */
export function peopleUnit(name: MetricName): PeopleUnit {
  if (name === 'trip') return { symbol: 's', factor: 1 };
  return metrics[name].isShare === true ? { symbol: '%', factor: 100 } : units[metrics[name].unit];
}
