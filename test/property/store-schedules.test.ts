/** Scan, hint, re-analysis, a second scan and the end of the store in every order that the operations of the disk allow. */
import { cpSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { type EventStore, openEventStore } from '../../daemon/server/event-store.ts';
import { EventFolderWrite, eventFolder, listEvents } from '../../daemon/store/event-folder.ts';
import { disk, type Files } from '../../daemon/store/files.ts';
import { countingAnalyse, eventContent, temporaryFolder } from '../support/event-builder.ts';

let origin: ReturnType<typeof temporaryFolder>;
const ids: string[] = [];
beforeAll(async () => {
  origin = temporaryFolder();
  for (let second = 0; second < 3; second++) {
    const content = eventContent(origin.path, second);
    await new EventFolderWrite(origin.path, content, disk).write();
    ids.push(content.header.id);
  }
});
afterAll(() => origin.remove());

/** What lasts through a power cut is not asked here: without the waiting for it ten times the orders are tried. */
const unsynced: Files = {
  ...disk,
  async syncFolder() {
    // Passes the gate all the same.
  },
  async create(path) {
    return { ...(await disk.create(path)), sync: async () => undefined };
  },
};

/** The disk, each of whose operations waits until it is let through; one at a time, when nothing else moves. */
class Gate {
  readonly files: Files = Object.fromEntries(
    Object.entries(unsynced).map(([name, work]) => [name, this.guarded(work)]),
  ) as unknown as Files;
  #waiting: (() => void)[] = [];
  #underWay = 0;

  /** Lets one operation after the other through, `choices` says which of those that wait, until `end` is settled. */
  async run(choices: readonly number[], end: Promise<unknown>): Promise<void> {
    let isOver = false;
    void end.finally(() => {
      isOver = true;
    });
    for (let turn = 0; !isOver; ) {
      await this.#rest();
      const [pass] = this.#waiting.splice((choices[turn++] ?? 0) % Math.max(1, this.#waiting.length), 1);
      pass?.();
    }
    await end;
  }

  /** `work`, which begins when it is let through. */
  guarded(work: (...args: never[]) => Promise<unknown>, isOfDisk = true) {
    return async (...args: never[]) => {
      await new Promise<void>((pass) => this.#waiting.push(pass));
      if (!isOfDisk) return work(...args);
      this.#underWay++;
      try {
        return await work(...args);
      } finally {
        this.#underWay--;
      }
    };
  }

  /** Resolves when every operation that was let through is done and all that follows of it has come to the gate. */
  async #rest(): Promise<void> {
    do await new Promise((resolve) => setImmediate(resolve));
    while (this.#underWay > 0);
    await new Promise((resolve) => setImmediate(resolve));
  }
}

const open = (path: string, files: Files) =>
  openEventStore({ dataFolder: path, software: 'test', analyse: countingAnalyse, files });

/** Two events are there at the start, the third closes while the store runs. */
const calls: Readonly<Record<string, (store: EventStore) => Promise<unknown>>> = {
  'first scan': (store) => store.scan(),
  'second scan': (store) => store.scan(),
  hint: (store) => store.ingest(ids[2]!),
  'the same hint': (store) => store.ingest(ids[2]!),
  'another hint': (store) => store.ingest(ids[0]!),
  're-analysis': (store) => store.reanalyse(ids[1]!, 'once more'),
  close: (store) => store.close(),
};

/** Begins the calls at any time and lets the operations of the disk through in any order; where the data lies. */
async function runSchedule(order: readonly string[], choices: readonly number[]): Promise<string> {
  const folder = temporaryFolder();
  cpSync(origin.path, folder.path, { recursive: true });
  const gate = new Gate();
  const store = open(folder.path, gate.files);
  await gate.run(choices, Promise.all(order.map((name) => gate.guarded(() => calls[name]!(store), false)())));
  await store.close().catch(() => undefined);
  return folder.path;
}

/** Any of the calls in any order, the end among them or not. */
const orders = fc.shuffledSubarray(Object.keys(calls), { minLength: 3 });

/** Every whole verdict of an event, by revision. */
function revisionsOf(path: string, id: string): number[] {
  const own = eventFolder(path, id);
  return readdirSync(own)
    .filter((name) => name.startsWith('verdict-'))
    .map((name) => JSON.parse(readFileSync(join(own, name), 'utf8')).revision as number)
    .sort((a, b) => a - b);
}

test('no order loses a verdict, writes one twice or leaves a piece behind', async () => {
  await fc.assert(
    fc.asyncProperty(
      orders,
      fc.array(fc.nat(5), { minLength: 150, maxLength: 150 }),
      async (order, choices) => {
        const path = await runSchedule(order, choices);
        const pieces = () =>
          readdirSync(path, { recursive: true }).filter((name) => String(name).includes('.tmp-'));
        expect(pieces()).toEqual([]);
        const next = open(path, disk);
        // What was indexed before the end is final as it stands: nothing in it needs a restart to heal.
        expect(next.unjudged()).toEqual([]);
        await next.scan();
        expect(pieces()).toEqual([]);
        const rows = next.list({ before: null, limit: 9 });
        expect(rows.map(({ id }) => id).sort()).toEqual(await listEvents(path));
        for (const { id, verdict } of rows) {
          const revisions = revisionsOf(path, id);
          expect(revisions).toEqual(revisions.map((_, k) => k + 1));
          expect(verdict?.revision).toBe(revisions.at(-1));
          expect(revisions.length).toBeLessThanOrEqual(id === ids[1] ? 2 : 1);
        }
        await next.rebuild();
        expect(next.list({ before: null, limit: 9 })).toEqual(rows);
        await next.close();
        await disk.remove(path);
      },
    ),
    { numRuns: 40 },
  );
});
