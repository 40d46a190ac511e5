/**
 * Promises one thing after the other in a database: database-child.ts outbox|index DATA_FOLDER PROMISED. Says in PROMISED how many,
 * and copies the folder that it lies in, what a cut would leave, after each.
 */
import { cpSync, readFileSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import type { Payload } from '../../daemon/publish/messages.ts';
import type { Outbox } from '../../daemon/publish/outbox.ts';
import { EventIndex } from '../../daemon/store/event-index.ts';
import { outboxOf, promisedEvent } from './promised-databases.ts';

const [kind, dataFolder, promised] = process.argv.slice(2) as [string, string, string];
const kept = dirname(promised);
const promise = (count: number) => {
  writeFileSync(promised, String(count));
  cpSync(kept, join(dirname(kept), `promised-${count}`), { recursive: true });
};

/** The last process of a folder goes on where the one before ended. */
const first = Number(readFileSync(promised, 'utf8'));
if (kind === 'index') {
  const index = new EventIndex(dataFolder);
  for (let n = first + 1; n <= first + 8; n++) {
    index.put({ row: promisedEvent(n), trouble: null });
    promise(n);
  }
  index.close();
} else {
  const outbox: Outbox = outboxOf(dataFolder, String(first));
  const phase: Payload = { kind: 'phase', phase: 'running' };
  for (let n = first + 1; n <= first + 8; n++) {
    outbox.put([{ at_ms: n, payload: phase }]);
    outbox.tell({ event: promisedEvent(n).id, revision: 1 }, () => [
      { at_ms: n, payload: { kind: 'trip', event: promisedEvent(n).id, source: 'contact' } },
    ]);
    promise(n);
  }
  outbox.put([{ at_ms: 0, payload: phase }], true);
  outbox.close();
}
