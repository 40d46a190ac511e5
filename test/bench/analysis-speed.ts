/** Analysis of 8 pressure channels x 10 s x 5 kHz (four legs, outlet and inlet each) beside its limit of 150 ms. */
import { analyse } from '../../daemon/analysis/analyse.ts';
import type { EventRecord } from '../../daemon/analysis/record.ts';
import { plainLeg, syntheticEvent } from '../support/synthetic-leg.ts';
import type { BenchRow } from './row.ts';

/** Median of several runs, after two to warm up. */
export async function bench(report: (row: BenchRow) => void): Promise<void> {
  const record = tenSeconds();
  const times_ms: number[] = [];
  for (let k = 0; k < 9; k++) {
    const start_ms = performance.now();
    analyse(record, { revision: 1, software: 'bench', reason: 'bench' });
    if (k >= 2) times_ms.push(performance.now() - start_ms);
  }
  times_ms.sort((a, b) => a - b);
  const figure = times_ms[3];
  report({
    name: 'analysis of 8 channels x 10 s x 5 kHz',
    figure,
    unit: 'ms',
    target: '<= 150',
    meets: figure <= 150,
    note: `median of 7, slowest ${times_ms[6].toFixed(0)} ms; meter, tank and contact come on top`,
  });
}

/** Four alike legs, 10 s at 5 kHz. */
function tenSeconds(): EventRecord {
  const one = syntheticEvent({ ...plainLeg, noise_Pa: 1500, lag_s: 0.0005 }, {}, 10);
  const leg = one.legs[0];
  return { ...one, legs: ['a', 'b', 'c', 'd'].map((id) => ({ ...leg, leg: { ...leg.leg, id } })) };
}
