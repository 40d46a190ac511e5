import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { PublishKind } from '../../config/publish.ts';
import type { Payload } from '../../daemon/publish/messages.ts';
import { Outbox } from '../../daemon/publish/outbox.ts';
import type { LaneName } from '../../daemon/publish/outbox-lanes.ts';
import { temporaryFolder } from '../support/event-builder.ts';

const sinks: { name: string; send: PublishKind[] }[] = [
  { name: 'all', send: ['phase', 'trip'] },
  { name: 'trips', send: ['trip'] },
];

const step = fc.oneof(
  {
    weight: 4,
    arbitrary: fc.record({
      do: fc.constant('put' as const),
      trips: fc.array(fc.boolean(), { maxLength: 6 }),
    }),
  },
  {
    weight: 6,
    arbitrary: fc.record({
      do: fc.constant('send' as const),
      sink: fc.nat(1),
      lane: fc.constantFrom<LaneName>('fresh', 'backlog'),
      limit: fc.integer({ min: 1, max: 8 }),
      /** Share of the batch that is settled. */
      share: fc.constantFrom(0, 0.5, 1, 1),
    }),
  },
  {
    weight: 2,
    arbitrary: fc.record({ do: fc.constant('age' as const), sink: fc.nat(1), behind: fc.nat(5) }),
  },
  { weight: 1, arbitrary: fc.record({ do: fc.constant('reopen' as const) }) },
);

function openIn(dataFolder: string, boot: string, quota_bytes: number): Outbox {
  return new Outbox({
    dataFolder,
    node: 'n',
    boot,
    quota_bytes,
    sinks,
    alreadyThere: () => [],
    wallNow_ms: () => 0,
  });
}

function payload(isTrip: boolean, k: number): Payload {
  return isTrip
    ? { kind: 'trip', event: `e${k}`, source: 'contact' }
    : { kind: 'phase', phase: k % 2 === 0 ? 'running' : 'waiting' };
}

test('each sink gets each of its messages, in order within a lane, or it is counted as shed', () => {
  fc.assert(
    fc.property(
      fc.array(step, { minLength: 1, maxLength: 60, size: 'max' }),
      fc.constantFrom(600, 3000, 1e9),
      (steps, quota_bytes) => {
        const folder = temporaryFolder();
        let boots = 0;
        let outbox = openIn(folder.path, String(boots), quota_bytes);
        const queued: Record<string, number[]> = { all: [], trips: [] };
        const got: Record<string, number[]> = { all: [], trips: [] };
        let put = 0;
        const send = (sink: string, lane: LaneName, limit: number, share: number) => {
          const batch = outbox.queue(sink).read(lane, limit, 1e6);
          const seqs = batch.map(({ seq }) => seq);
          expect(seqs).toEqual([...seqs].sort((a, b) => a - b));
          for (const message of batch) {
            expect(message.payload).toEqual(payload(message.payload.kind === 'trip', message.at_ms));
          }
          const settled = Math.ceil(share * batch.length);
          const last = batch[settled - 1];
          got[sink].push(...seqs.slice(0, settled));
          if (last !== undefined) outbox.queue(sink).settle(lane, last.seq, settled, []);
          return batch.length;
        };
        try {
          for (const each of steps) {
            if (each.do === 'put') {
              const before = outbox.head;
              outbox.put(each.trips.map((isTrip) => ({ at_ms: put, payload: payload(isTrip, put++) })));
              each.trips.forEach((isTrip, k) => {
                queued['all'].push(before + 1 + k);
                if (isTrip) queued['trips'].push(before + 1 + k);
              });
            } else if (each.do === 'send') send(sinks[each.sink].name, each.lane, each.limit, each.share);
            else if (each.do === 'age') outbox.queue(sinks[each.sink].name).age(outbox.head - each.behind);
            else {
              outbox.close();
              outbox = openIn(folder.path, String(++boots), quota_bytes);
            }
          }
          for (const { name } of sinks) {
            for (let left = 100; left > 0 && send(name, 'fresh', 7, 1) > 0; left--);
            for (let left = 100; left > 0 && send(name, 'backlog', 7, 1) > 0; left--);
            expect(outbox.queue(name).waiting).toBe(0);
            const shed = outbox.queue(name).counters.messagesShed;
            const delivered = new Set(got[name]);
            // Nothing twice, nothing of another kind, and what is missing was shed.
            expect(got[name]).toHaveLength(delivered.size);
            expect([...delivered].every((seq) => queued[name].includes(seq))).toBe(true);
            expect(queued[name].length - delivered.size).toBe(shed);
            if (quota_bytes === 1e9) expect(shed).toBe(0);
          }
          expect(outbox.size_bytes).toBeLessThanOrEqual(quota_bytes + 200);
        } finally {
          outbox.close();
          folder.remove();
        }
      },
    ),
    { numRuns: 60 },
  );
});

test('what is the oldest is shed first', () => {
  const folder = temporaryFolder();
  const outbox = openIn(folder.path, 'b', 2000);
  for (let k = 0; k < 100; k++) outbox.put([{ at_ms: k, payload: payload(true, k) }]);
  const kept = outbox
    .queue('all')
    .read('fresh', 1000, 1e6)
    .map(({ seq }) => seq);
  expect(kept.at(-1)).toBe(100);
  expect(kept).toEqual(Array.from(kept, (_, k) => 101 - kept.length + k));
  expect(outbox.queue('all').counters.messagesShed).toBe(100 - kept.length);
  expect(outbox.counters.messagesShed).toBe(100 - kept.length);
  outbox.close();
  folder.remove();
});
