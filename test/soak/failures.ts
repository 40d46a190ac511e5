/** What a soak must not show. */
import type { SoakResult } from './soak.ts';

/** Growth that is surely more than this fails, in MB/h. */
const mostGrowth_MBph = 10;
/** Shorter runs say nothing about growth, in minutes. */
const leastForGrowth = 30;

/** An instant that is off by more than this beyond its half-width fails, in s. */
const mostExcess_s = 0.1;
/** So many good replies may go unrecorded without a fault near, and so many with: a few, and a share of all. */
const mostWasted = { few: 2, share: 1e-4 } as const;
const mostGivenUp = { few: 2, share: 1e-3 } as const;
/** Losses that neither a fault nor a held-up machine explains: so few may be of a scheduler that no look shows. */
const mostUnexplained = 2;

/** What must not be; a loss with a reason may. */
export function failuresOf(result: Omit<SoakResult, 'failures'>): string[] {
  const failures: string[] = [];
  const want = (isRight: boolean, what: string) => {
    if (!isRight) failures.push(what);
  };
  for (const each of result.streams) {
    const { line } = each;
    want(each.recorded > 0, `${line}: nothing was recorded`);
    want(each.unexplained === 0, `${line}: ${each.unexplained} scans are missing for no known reason`);
    want(each.uncounted === 0, `${line}: the sum is off by ${each.uncounted} scans`);
    want(each.misnumbered === 0, `${line}: ${each.misnumbered} times the scan number was wrong`);
    want(each.wrongValues === 0, `${line}: ${each.wrongValues} wrong values`);
    want(
      each.worstExcess_s <= mostExcess_s,
      `${line}: an instant is ${each.worstExcess_s.toFixed(3)} s outside its half-width`,
    );
    for (const example of each.examples) failures.push(`${line}: ${example}`);
  }
  for (const each of result.buses) {
    const { line } = each;
    want(each.recorded > 0, `${line}: nothing was recorded`);
    want(each.unexplained === 0, `${line}: ${each.unexplained} replies are missing for no known reason`);
    want(
      each.cutOff >= 0 && each.cutOff <= each.mostCutOff,
      `${line}: ${each.cutOff} polls ended in no known way, ${each.mostCutOff} could be cut off`,
    );
    want(
      each.slotsLeft >= 0 && each.slotsLeft <= each.mostSlotsLeft,
      `${line}: the counters explain ${each.slotsLeft} slots more than there were`,
    );
    want(each.wrongValues === 0, `${line}: ${each.wrongValues} wrong values`);
    const most = ({ few, share }: { readonly few: number; readonly share: number }) =>
      few + share * each.recorded;
    want(each.wasted <= most(mostWasted), `${line}: ${each.wasted} good replies were wasted`);
    want(each.givenUp <= most(mostGivenUp), `${line}: ${each.givenUp} good replies were given up`);
    for (const example of each.examples) failures.push(`${line}: ${example}`);
  }
  const { causes, slowReopenings } = result;
  const unexplained = causes.unexplained.reduce((sum, { count }) => sum + count, 0);
  if (unexplained > mostUnexplained) {
    for (const { line, counter, count, from_s, to_s } of causes.unexplained.slice(0, 5)) {
      failures.push(
        `${line}: ${count} ${counter} from ${from_s.toFixed(1)} to ${to_s.toFixed(1)} s, and no fault`,
      );
    }
  }
  for (const { line, plugged_s, after_s } of slowReopenings) {
    const when = after_s === null ? 'never' : `${after_s.toFixed(1)} s later`;
    failures.push(`${line}: plugged in at ${plugged_s.toFixed(1)} s, open again ${when}`);
  }
  const { trips, events, ring, recorderMemory, serverMemory, minutes } = result;
  want(ring.recorded > 0 && ring.left === 0, `the sum of the disk ring is off by ${ring.left} scans`);
  want(trips.missed.length === 0, `${trips.missed.length} trips were not declared`);
  want(trips.false.length === 0, `${trips.false.length} trips were declared that were none`);
  want(
    events.acknowledged === trips.declared,
    `${trips.declared} trips declared, ${events.acknowledged} events acknowledged`,
  );
  want(events.whole === events.folders, `${events.folders - events.whole} events are not whole`);
  want(events.judged === events.folders, `${events.folders - events.judged} events have no verdict`);
  want(events.wrongValues === 0, `${events.wrongValues} wrong values in events`);
  failures.push(...events.short.slice(0, 5));
  failures.push(...events.troubles.slice(0, 5));
  if (minutes >= leastForGrowth) {
    for (const [who, slope] of [
      ['recorder', recorderMemory],
      ['server', serverMemory],
    ] as const) {
      want(
        slope !== null && slope.slope - slope.halfWidth <= mostGrowth_MBph,
        `the ${who} grows by ${slope?.slope.toFixed(1)} MB/h`,
      );
    }
  }
  return failures;
}
