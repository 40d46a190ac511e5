import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { silence_s } from '../../drivers/modbus/protocol.ts';
import { channel } from '../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../support/rtu-slave.ts';
import { rtuPoller, runPoller, VirtualClock, VirtualLine } from '../support/virtual-line.ts';

function unitSpec(unit: number, poll_s: number, gap_s: number, count: number): ModbusUnitSpec {
  return {
    id: `u${unit}`,
    unit,
    poll_s,
    timeout_s: 0.1,
    gap_s,
    maxRegisters: 125,
    maxGap: 0,
    channels: Array.from({ length: count }, (_, i) => channel('holding', i)),
  };
}

const rig = fc.record({
  baud: fc.constantFrom(9600, 19200, 115200, 921600),
  polls_ms: fc.tuple(fc.integer({ min: 5, max: 200 }), fc.integer({ min: 5, max: 200 })),
  gap_ms: fc.integer({ min: 0, max: 8 }),
  counts: fc.tuple(fc.integer({ min: 2, max: 20 }), fc.integer({ min: 2, max: 20 })),
  /** Turnarounds of the slaves, used in turn; 0 stands for no reply. */
  delays_ms: fc.array(fc.integer({ min: 0, max: 30 }), { minLength: 1, maxLength: 10 }),
  /** When the slave samples: share of the turnaround. */
  share: fc.double({ min: 0, max: 1, noNaN: true }),
  strays_ms: fc.array(fc.integer({ min: 0, max: 3000 }), { maxLength: 5 }),
});

describe('timing of the master, in simulated time', () => {
  it('keeps the silence before every request, the grid, and the truth about when a value was taken', async () => {
    let polls = 0;
    await fc.assert(
      fc.asyncProperty(rig, async ({ baud, polls_ms, gap_ms, counts, delays_ms, share, strays_ms }) => {
        const characterTime_s = 11 / baud;
        const least_s = silence_s(baud, characterTime_s);
        const clock = new VirtualClock();
        const counters: Record<string, number> = {};
        const units = [
          unitSpec(1, polls_ms[0] / 1000, 0, counts[0]),
          unitSpec(2, polls_ms[1] / 1000, gap_ms / 1000, counts[1]),
        ];
        let requests = 0;
        let busyUntil_s = Number.NEGATIVE_INFINITY;
        let begun_s = 0;
        let sampled_s = 0;
        const line = new VirtualLine(clock, characterTime_s, (bytes, end_s) => {
          begun_s = clock.now_s();
          const gap_s = bytes[0] === 2 ? Math.max(least_s, gap_ms / 1000) : least_s;
          expect(begun_s - busyUntil_s).toBeGreaterThanOrEqual(gap_s - 1e-12);
          busyUntil_s = Math.max(busyUntil_s, end_s);
          const delay_s = delays_ms[requests % delays_ms.length]! / 1000;
          requests += 1;
          sampled_s = end_s + share * delay_s;
          let answer: Uint8Array | null = null;
          new RequestReader((request) => {
            answer = answerOf(request, (address) => address);
          }).push(bytes);
          return answer === null || delay_s === 0 ? null : { bytes: answer, delay_s };
        });
        const { poller: master, wire } = rtuPoller(units, line, least_s, clock, counters, {
          reply: (block, _read, slot, time_s, halfWidth_s) => {
            polls += 1;
            const { poll_s } = master.blocks[block]!.spec;
            // The slot is the one in which the request began.
            expect(begun_s).toBeGreaterThanOrEqual(slot * poll_s - 1e-9);
            expect(begun_s).toBeLessThan((slot + 1) * poll_s + 1e-9);
            expect(Math.abs(time_s - sampled_s)).toBeLessThanOrEqual(halfWidth_s + 1e-9);
          },
          answering: () => undefined,
        });
        line.receive = (chunk, time_s) => {
          busyUntil_s = Math.max(busyUntil_s, time_s);
          wire.receive(chunk, time_s);
        };
        for (const stray_ms of strays_ms) {
          clock.at(stray_ms / 1000, () => line.receive(Uint8Array.of(0xaa), clock.now_s()));
        }
        await runPoller(master, clock, 3);
      }),
      { numRuns: 200 },
    );
    expect(polls).toBeGreaterThan(2000);
  });
});
