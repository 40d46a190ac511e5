/** What the event store and its databases have to say among the troubles. */
import { basename } from 'node:path';
import type { Unjudged } from '../store/event-index.ts';
import type { TroubleWatch } from './troubles.ts';

const damageRemedies = {
  index: { file: 'tripwave.db', remedy: 'Nothing is lost: the events are read again from their folders.' },
  trends: {
    file: 'trends.db',
    remedy: 'What the disk ring still has is read again; earlier trends are lost.',
  },
} as const;

/** A database that was damaged and began anew; it stands until the next start. */
export function tellDamage(
  troubles: TroubleWatch,
  what: keyof typeof damageRemedies,
  path: string,
  now_ms: number,
): void {
  const { file, remedy } = damageRemedies[what];
  troubles.raise(
    `${what} damaged`,
    `${file} was damaged and is rebuilt. The old one is ${basename(path)} in the data folder.`,
    `${remedy} Check the disk; delete the old file when it is no longer needed.`,
    now_ms,
  );
}

/** Events that are recorded and not judged stand among the troubles for as long as there are any. Newest first. */
export function tellUnjudged(troubles: TroubleWatch, unjudged: readonly Unjudged[], now_ms: number): void {
  const [newest] = unjudged;
  if (newest === undefined) {
    troubles.clear('unjudged');
    return;
  }
  const which =
    unjudged.length === 1
      ? `Event ${newest.id} has no verdict`
      : `${unjudged.length} events have no verdict; the newest is ${newest.id}`;
  troubles.raise(
    'unjudged',
    `${which}: ${newest.trouble}`,
    'The records are kept, and judging is tried again at least hourly and at each start. Check space, rights and disk. A record ' +
      'that is damaged for good can be moved out of the events folder.',
    now_ms,
  );
}
