/** Commands come from anybody who may publish: no bytes are a danger, and every one of them is accounted for. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { CommandDesk } from '../../daemon/publish/mqtt/commands.ts';
import type { CaptureRequest } from '../../daemon/store/capture-request.ts';
import { sinkStart } from '../support/sink-start.ts';
import { topicFaults } from '../support/topic-schema.ts';

const window = fc.record(
  {
    id: fc.oneof(fc.constantFrom('a', 'b'), fc.string(), fc.double()),
    last_s: fc.oneof(fc.double({ min: 0, max: 1000 }), fc.string()),
    from_ms: fc.integer(),
    to_ms: fc.integer(),
    extra: fc.anything(),
  },
  { requiredKeys: [] },
);
const likely = fc.record({ id: fc.constantFrom('a', 'b', 'c'), last_s: fc.integer({ min: -1, max: 1000 }) });
const body = fc.oneof(
  likely.map((value) => Buffer.from(JSON.stringify(value))),
  fc.uint8Array({ maxLength: 5000 }).map((bytes) => Buffer.from(bytes)),
  fc.json().map((text) => Buffer.from(text)),
  window.map((value) =>
    Buffer.from(JSON.stringify(value, (_, each) => (typeof each === 'bigint' ? 0 : each))),
  ),
);

test('whatever comes is carried out, refused, repeated or dropped, and answered by the schema', async () => {
  const faults = topicFaults();
  await fc.assert(
    fc.asyncProperty(
      fc.array(
        fc.tuple(
          fc.oneof(fc.constantFrom('capture', 'status', '', 'a/b', '__proto__'), fc.string()),
          body,
          fc.boolean(),
          fc.nat(10),
        ),
        { maxLength: 20 },
      ),
      async (all) => {
        const asked: CaptureRequest[] = [];
        const answers: string[] = [];
        let now_s = 0;
        let lines = 0;
        const desk = new CommandDesk({
          allowed: ['capture', 'status'],
          sink: 'yard',
          start: sinkStart({
            station: {
              capture: async (one) => {
                asked.push(one);
                return { event: 'event', trouble: null };
              },
              sayAgain: () => undefined,
              log: (text) => {
                lines++;
                expect(text).not.toMatch(/[\r\n]/);
              },
            },
          }),
          answer: (command, text) => {
            expect(['capture', 'status', 'unknown']).toContain(command);
            answers.push(text);
          },
          wallNow_ms: () => 0,
          now_s: () => now_s,
        });
        for (const [command, bytes, isRetained, wait_s] of all) {
          now_s += wait_s;
          await desk.hear(command, bytes, isRetained);
        }
        const { commandsDone, commandsDropped, commandsRefused, commandsRepeated } = desk.counters;
        expect(commandsDone + commandsDropped + commandsRefused + commandsRepeated).toBe(all.length);
        expect(answers).toHaveLength(commandsDone + commandsRefused);
        expect(answers.map((text) => faults('tripwave/n/answer/x', text)).join('')).toBe('');
        expect(lines).toBeLessThanOrEqual(all.length);
        for (const one of asked) {
          if ('last_s' in one)
            expect(one.last_s > 0 && one.last_s <= 900 && Object.keys(one).length === 1).toBe(true);
          else expect(Object.keys(one).sort()).toEqual(['from_ms', 'to_ms']);
        }
      },
    ),
    { numRuns: 300 },
  );
});
