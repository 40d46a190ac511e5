import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ModbusChannelSpec, ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { channel } from '../support/modbus-rig.ts';
import { answerOf, RequestReader, type SlaveRequest, sealed } from '../support/rtu-slave.ts';
import { rtuPoller, VirtualClock, VirtualLine } from '../support/virtual-line.ts';

const characterTime_s = 11 / 115200;

function holding(address: number, count: number): ModbusChannelSpec[] {
  return Array.from({ length: count }, (_, i) => channel('holding', address + i));
}

function unitSpec(unit: number, channels: readonly ModbusChannelSpec[], lateness_s: number): ModbusUnitSpec {
  return {
    id: `u${unit}`,
    unit,
    poll_s: 0.02,
    timeout_s: 0.05,
    gap_s: 0,
    maxRegisters: 125,
    maxGap: 0,
    channels,
    lateness_s,
  };
}

/** How a slave treats one request: silent, too late, with an exception, damaged, or (most often) right. */
interface Fate {
  readonly kind: 'right' | 'late' | 'silent' | 'exception' | 'damaged' | 'half';
  readonly delay_s: number;
}

const fate = (longest_s: number): fc.Arbitrary<Fate> =>
  fc.record({
    kind: fc.constantFrom(
      'right',
      'right',
      'right',
      'late',
      'late',
      'silent',
      'exception',
      'damaged',
      'half',
    ),
    // Milliseconds: fast-check's doubles are mostly next to 0.
    delay_s: fc
      .oneof(fc.integer({ min: 50, max: 400 }), fc.integer({ min: 50, max: longest_s * 1000 }))
      .map((delay_ms) => delay_ms / 1000),
  });

/**
 * Polls for `length_s` a line whose slaves keep the order but little else, and returns how many values came and how
 * many of them were not the answer to the very request that was on the wire last. Each reply tells address and request.
 */
async function poll(
  units: readonly ModbusUnitSpec[],
  fates: readonly Fate[],
  length_s: number,
): Promise<{ right: number; wrong: number; late: number }> {
  const clock = new VirtualClock();
  const counters: Record<string, number> = {};
  let asked: SlaveRequest | null = null;
  let requests = 0;
  /** Register n at request r: no two requests that are near each other share a reply. */
  const valueAt = (request: number) => (address: number) => (address * 31 + request * 1009) & 0xffff;
  const lateness_s = units[0]!.lateness_s!;
  const line = new VirtualLine(clock, characterTime_s, (bytes, end_s) => {
    let answer: { bytes: Uint8Array; delay_s: number } | null = null;
    new RequestReader((request) => {
      asked = request;
      requests += 1;
      const how = fates[requests % fates.length]!;
      const right = answerOf(request, valueAt(requests));
      const delay_s = how.kind === 'late' ? how.delay_s : 0.001;
      // An answer that would have to queue for longer than the unit can be late is never sent.
      const isTooLate = Math.max(end_s + delay_s, line.wire_s) + 0.03 > end_s + lateness_s;
      if (how.kind === 'silent' || isTooLate) return;
      const { unit, functionCode } = request;
      if (how.kind === 'exception') answer = { bytes: sealed(unit, functionCode | 0x80, 6), delay_s };
      else if (how.kind === 'half') answer = { bytes: right.subarray(0, right.length >> 1), delay_s };
      else if (how.kind === 'damaged') {
        right[3]! ^= 0x10;
        answer = { bytes: right, delay_s };
      } else answer = { bytes: right, delay_s };
    }).push(bytes);
    return answer;
  });
  let right = 0;
  let wrong = 0;
  const { poller: master, wire } = rtuPoller(units, line, 1.75e-3, clock, counters, {
    reply: (block, _read, _slot, _time_s, _halfWidth_s, data) => {
      const expected = answerOf(asked!, valueAt(requests));
      const isRight =
        asked!.address === master.blocks[block]!.block.address &&
        data.length === expected.length - 5 &&
        data.every((byte, i) => byte === expected[3 + i]);
      if (isRight) right += 1;
      else wrong += 1;
    },
    answering: () => undefined,
  });
  line.receive = (chunk, time_s) => wire.receive(chunk, time_s);
  master.start();
  await clock.runUntil(length_s);
  const late = counters['lateRepliesDiscarded']!;
  const stopped = master.stop();
  await clock.runUntil(length_s + 1);
  await stopped;
  return { right, wrong, late };
}

describe('late replies, in simulated time', () => {
  it('never become a value where a probe of its own length exists, up to 9 s late', async () => {
    let late = 0;
    let right = 0;
    await fc.assert(
      fc.asyncProperty(fc.array(fate(9), { minLength: 3, maxLength: 60 }), async (fates) => {
        // Two blocks of the same length at different addresses: the case that deceives.
        const units = [
          unitSpec(1, [...holding(1000, 2), ...holding(3000, 2)], 10),
          unitSpec(2, holding(10, 4), 10),
        ];
        const result = await poll(units, fates, 40);
        expect(result.wrong).toBe(0);
        late += result.late;
        right += result.right;
      }),
      { numRuns: 400 },
    );
    expect(late).toBeGreaterThan(200);
    expect(right).toBeGreaterThan(1000);
  });

  it('never become a value where there is none, up to 1.9 s late', async () => {
    let late = 0;
    let right = 0;
    await fc.assert(
      fc.asyncProperty(fc.array(fate(1.9), { minLength: 3, maxLength: 60 }), async (fates) => {
        const units = [unitSpec(1, [...holding(1000, 1), ...holding(3000, 1)], 2)];
        const result = await poll(units, fates, 40);
        expect(result.wrong).toBe(0);
        late += result.late;
        right += result.right;
      }),
      { numRuns: 400 },
    );
    expect(late).toBeGreaterThan(200);
    expect(right).toBeGreaterThan(1000);
  });

  it('cost a prompt line nothing: every slot has its value', async () => {
    const result = await poll([unitSpec(1, holding(0, 8), 10)], [{ kind: 'right', delay_s: 0 }], 10);
    expect(result).toEqual({ right: 500, wrong: 0, late: 0 });
  });
});
