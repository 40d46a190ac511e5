/** How many captures are made, whoever asks: each reads minutes of the ring, and may take tens of megabytes of the disk. */
import { BusyError } from '../errors.ts';
import type { Capture } from './capture-request.ts';

/** From one side (the pages, a broker) so many may come at once, and then one after each such time. */
export const asks = { burst: 5, refill_s: 6 } as const;
/** Of captures that are made, the same. */
export const captures = {
  burst: 3,
  refill_s: 600,
  words: 'more than 3 captures at once, and then one in 10 minutes',
} as const;

/** A capture takes seconds to a minute; the next one is worth a try after so long, in s. */
const nextTry_s = 10;

/** The same capture, which refuses with `BusyError` while one is under way: several at once would take all the memory. */
export function oneAtATime(capture: Capture): Capture {
  let isUnderWay = false;
  return async (request) => {
    if (isUnderWay) throw new BusyError('another capture is running; try again when it is done', nextTry_s);
    isUnderWay = true;
    try {
      return await capture(request);
    } finally {
      isUnderWay = false;
    }
  };
}
