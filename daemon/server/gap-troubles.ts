/** Times without a recorder and lost trips, in words: shown for a while, on record in gaps.jsonl for years. */
import type { DownTime, RecorderGap } from '../store/gap-ledger.ts';
import type { Trouble } from '../web/wire.ts';

/** A lost trip is shown for so long, in ms: a station may be looked at once a week. */
const lostShown_ms = 7 * 86_400_000;
/** A time without a recorder in which no trip is known of, in ms; shorter where somebody stopped it in order. */
const downShown_ms = 3_600_000;
const stoppedShown_ms = 600_000;

const recordRemedy = 'Find out from the log of the service why the recorder ended.';

/** What is still to be shown at `now_ms`. */
export function gapTroubles(gaps: readonly RecorderGap[], now_ms: number): Trouble[] {
  return gaps.flatMap((gap) => {
    if (gap.kind === 'trip-lost') {
      if (now_ms - gap.at_ms > lostShown_ms) return [];
      const what = `Trip of ${clock(gap.at_ms)} has no event. ${gap.why}`;
      return [{ key: `trip ${gap.event}`, since_ms: gap.at_ms, what, remedy: recordRemedy }];
    }
    if (now_ms - gap.to_ms > shownFor_ms(gap)) return [];
    const remedy = gap.isClean ? 'It had been stopped in order.' : recordRemedy;
    const what = `No recorder from ${clock(gap.from_ms)} to ${clock(gap.to_ms)}. ${meanwhile[gap.pump]}`;
    return [{ key: `no recorder after ${gap.after}`, since_ms: gap.from_ms, what, remedy }];
  });
}

function shownFor_ms({ pump, isClean }: DownTime): number {
  if (pump === 'stopped') return lostShown_ms;
  return isClean ? stoppedShown_ms : downShown_ms;
}

const meanwhile: Readonly<Record<DownTime['pump'], string>> = {
  stopped: 'The pump stopped meanwhile: that trip was not recorded.',
  running: 'The pump ran before and after; a trip in between would not be known.',
  'at-rest': 'The pump stood at its begin; a start and trip in between would not be known.',
  unknown: 'Nothing shows whether the pump stopped meanwhile.',
};

/** UTC, as in the ids of events. */
function clock(wall_ms: number): string {
  return `${new Date(wall_ms).toISOString().slice(0, 19).replace('T', ' ')} UTC`;
}
