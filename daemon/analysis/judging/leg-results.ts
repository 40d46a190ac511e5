/** All results of one leg from its facts, in the order of the table. */
import type { Facts } from '../finding/facts.ts';
import { metricNames } from '../metrics.ts';
import type { EventRecord } from '../record.ts';
import type { LegResults, LegVerdict } from '../verdict.ts';
import { correctPeak } from './corrected-peak.ts';
import { instantResults } from './instants.ts';
import { leakResults } from './leak.ts';
import { pressureResults } from './pressures.ts';
import { ringResults } from './ringing.ts';
import type { Ground } from './shared-effects.ts';
import { slowingAtReversal, velocityResults } from './velocities.ts';
import { surerOf, waveSpeedsOf } from './wave-speeds.ts';

/** Results, and the wave speed by either way. */
export interface LegFigures {
  readonly results: LegResults;
  readonly speeds: NonNullable<LegVerdict['waveSpeeds']>;
}

/** Every result withheld with its reason where its ground is missing; never throws. `origin_s`: begin of the record. */
export function legFigures(record: EventRecord, facts: Facts, origin_s: number): LegFigures {
  const ground: Ground = { record, facts, corrected: correctPeak(facts), origin_s };
  const slowing = slowingAtReversal(ground);
  const velocities = velocityResults(ground, slowing);
  const speeds = waveSpeedsOf(facts);
  const results: LegResults = {
    ...instantResults(ground, slowing),
    ...pressureResults(ground),
    ...velocities,
    ...ringResults(ground, velocities.equivalentReverseVelocity),
    ...leakResults(facts),
    waveSpeed: surerOf(facts, speeds),
  };
  return {
    results: Object.fromEntries(metricNames.map((name) => [name, results[name]])) as LegResults,
    speeds,
  };
}
