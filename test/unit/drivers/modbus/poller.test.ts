import { describe, expect, it } from 'vitest';
import type { ModbusChannelSpec, ModbusUnitSpec } from '../../../../drivers/line-spec.ts';
import { serialFrame } from '../../../../drivers/modbus/protocol.ts';
import { writeRegisterRequest } from '../../../../drivers/modbus/requests.ts';
import { channel, unitSpec } from '../../../support/modbus-rig.ts';
import { rtuPoller, runPoller, VirtualClock, VirtualLine } from '../../../support/virtual-line.ts';

const at = (...addresses: readonly number[]): ModbusChannelSpec[] =>
  addresses.map((address) => channel('holding', address));

const slowUnit = (unit: number, channels: readonly ModbusChannelSpec[], more: Partial<ModbusUnitSpec> = {}) =>
  unitSpec(unit, channels, { poll_s: 0.1, timeout_s: 0.03, maxGap: 8, ...more });

/** Register n holds n. `refuse` gives an exception code, 0 for a right answer, -1 for none. */
async function poll(
  units: readonly ModbusUnitSpec[],
  end_s: number,
  refuse: (request: {
    unit: number;
    functionCode: number;
    address: number;
    count: number;
    now_s: number;
  }) => number,
  then: (
    poller: ReturnType<typeof rtuPoller>['poller'],
    clock: VirtualClock,
    line: VirtualLine,
  ) => void = () => undefined,
) {
  const clock = new VirtualClock();
  const counters: Record<string, number> = {};
  const asked: string[] = [];
  const replies: { block: number; slot: number; read: string }[] = [];
  const line = new VirtualLine(clock, 1e-4, (frame) => {
    const view = new DataView(frame.buffer);
    const [unit, functionCode] = [frame[0]!, frame[1]!];
    const [address, count] = [view.getUint16(2), view.getUint16(4)];
    asked.push(`${unit}:${functionCode}:${address}+${count}`);
    const code = refuse({ unit, functionCode, address, count, now_s: clock.now_s() });
    if (code < 0) return null;
    if (code > 0)
      return { bytes: serialFrame(unit, Uint8Array.of(functionCode | 0x80, code)), delay_s: 0.002 };
    if (functionCode === 6) return { bytes: frame.slice(), delay_s: 0.002 };
    const data = Array.from({ length: count }, (_, i) => [(address + i) >> 8, (address + i) & 0xff]).flat();
    return { bytes: serialFrame(unit, Uint8Array.of(3, data.length, ...data)), delay_s: 0.002 };
  });
  const { poller, wire } = rtuPoller(units, line, 1.75e-3, clock, counters, {
    reply: (block, read, slot) => replies.push({ block, slot, read: `${read.address}+${read.count}` }),
    answering: () => undefined,
  });
  line.receive = (chunk, time_s) => wire.receive(chunk, time_s);
  then(poller, clock, line);
  await runPoller(poller, clock, end_s);
  return { counters, asked, replies };
}

describe('a read that is refused', () => {
  it('is parted at the hole in its registers, once, and both halves come from then on', async () => {
    // Register 5 is not there: 3 and 7 were to be read in one.
    const { counters, asked, replies } = await poll([slowUnit(1, at(3, 7))], 1.05, ({ address, count }) =>
      address <= 5 && address + count > 5 ? 2 : 0,
    );
    expect(asked.filter((request) => request === '1:3:3+5')).toHaveLength(1);
    expect(counters['readsParted']).toBe(1);
    expect(replies.filter(({ read }) => read === '3+1').length).toBeGreaterThanOrEqual(10);
    expect(replies.filter(({ read }) => read === '7+1').length).toBeGreaterThanOrEqual(10);
    // Already in the slot in which it was refused.
    expect(replies[0]!.slot).toBe(0);
  });

  it('costs its neighbours nothing where one channel is not there at all', async () => {
    const { replies } = await poll([slowUnit(1, at(3, 6, 9))], 2.05, ({ address, count }) =>
      address <= 6 && address + count > 6 ? 2 : 0,
    );
    expect(replies.filter(({ read }) => read === '3+1').length).toBeGreaterThan(15);
    expect(replies.filter(({ read }) => read === '9+1').length).toBeGreaterThan(15);
    expect(replies.some(({ read }) => read === '6+1')).toBe(false);
  });

  it('is asked again in its slot after "busy", and not after "failure"', async () => {
    let left = 1;
    const busy = await poll([slowUnit(1, at(3, 4, 5))], 0.35, ({ count }) =>
      count === 3 && left-- > 0 ? 6 : 0,
    );
    expect(busy.counters['requestsRepeated']).toBe(1);
    expect(busy.replies.map(({ slot }) => slot)).toEqual([0, 1, 2, 3]);
    left = 1;
    const failed = await poll([slowUnit(1, at(3, 4, 5))], 0.35, ({ count }) =>
      count === 3 && left-- > 0 ? 4 : 0,
    );
    expect(failed.counters['requestsRepeated']).toBe(0);
    expect(failed.replies.map(({ slot }) => slot)).toEqual([1, 2, 3]);
  });

  it('comes within its slot after one time-out', async () => {
    let left = 1;
    const { replies, counters } = await poll([slowUnit(1, at(3, 4, 5))], 0.35, ({ count }) =>
      count === 3 && left-- > 0 ? -1 : 0,
    );
    expect(counters['requestsTimedOut']).toBe(1);
    expect(replies.map(({ slot }) => slot)).toEqual([0, 1, 2, 3]);
  });

  it('is never merged over registers that must not be read', async () => {
    const noRead = [{ table: 'holding', address: 5, count: 1 }] as const;
    const { asked } = await poll([slowUnit(1, at(3, 4, 7, 8), { noRead })], 0.5, () => 0);
    expect(asked.filter((request) => /:3\+[3-9]/.test(request))).toEqual([]);
  });
});

describe('a dead unit', () => {
  it('is left alone for 5, 10, 30 and 60 s while another answers, which loses next to nothing', async () => {
    const { asked, replies } = await poll(
      [slowUnit(1, at(1, 2, 3)), slowUnit(2, at(1, 2, 3))],
      240,
      ({ unit }) => (unit === 2 ? -1 : 0),
    );
    // Two at once, the third and then after 5, 10, 30, 60, 60 s.
    expect(asked.filter((request) => request.startsWith('2:')).length).toBeLessThanOrEqual(9);
    expect(replies.filter(({ block }) => block === 0).length).toBeGreaterThanOrEqual(0.999 * 2400);
  });
});

describe('devices of one address', () => {
  it('are asked as one unit at their own rates', async () => {
    const fast = slowUnit(1, at(1, 2, 3), { poll_s: 0.02 });
    const slow = { ...slowUnit(1, at(100, 101, 102, 103)), id: 'slow' };
    const { replies } = await poll([fast, slow], 1.01, () => 0);
    expect(replies.filter(({ block }) => block === 0).length).toBeGreaterThanOrEqual(50);
    expect(replies.filter(({ block }) => block === 1).length).toBeGreaterThanOrEqual(10);
  });
});

describe('an order', () => {
  it('goes between the polls and comes back with its answer', async () => {
    let kind = '';
    const { asked, replies } = await poll(
      [slowUnit(1, at(1, 2, 3))],
      1.05,
      () => 0,
      (poller, clock) => {
        clock.at(0.5, () => {
          void poller.order(poller.blocks[0]!.unit, writeRegisterRequest(9, 7))?.then((outcome) => {
            kind = outcome.kind;
          });
        });
      },
    );
    expect(kind).toBe('reply');
    expect(asked.filter((request) => request === '1:6:9+7')).toHaveLength(1);
    expect(replies).toHaveLength(11);
  });

  it('is refused while the line is closed, not kept until it comes back', async () => {
    const outcomes: unknown[] = [];
    const { asked } = await poll(
      [slowUnit(1, at(1, 2, 3))],
      2.05,
      () => 0,
      (poller, clock, line) => {
        clock.at(0.5, () => {
          line.isOpen = false;
          const order = poller.order(poller.blocks[0]!.unit, writeRegisterRequest(9, 7));
          void order?.then((outcome) => outcomes.push(outcome));
        });
        clock.at(1, () => {
          expect(outcomes).toHaveLength(1);
          line.isOpen = true;
        });
      },
    );
    expect(outcomes).toEqual([{ kind: 'unsent', why: 'the line is closed' }]);
    expect(asked.filter((request) => request.startsWith('1:6'))).toEqual([]);
  });

  it('goes to no unit of which it is not known that it answers', async () => {
    const outcomes: unknown[] = [];
    const { asked } = await poll(
      [slowUnit(1, at(1, 2, 3))],
      1.05,
      // It takes orders and answers them, but has answered no read for a while.
      ({ functionCode, now_s }) => (functionCode === 3 && now_s > 0.3 ? -1 : 0),
      (poller, clock) => {
        clock.at(0.6, () => {
          const order = poller.order(poller.blocks[0]!.unit, writeRegisterRequest(9, 7));
          void order?.then((outcome) => outcomes.push(outcome));
        });
      },
    );
    expect(outcomes).toEqual([{ kind: 'unsent', why: 'the device does not answer' }]);
    expect(asked.filter((request) => request.startsWith('1:6'))).toEqual([]);
  });

  it('is never repeated by itself', async () => {
    let kind = '';
    const { asked } = await poll(
      [slowUnit(1, at(1, 2, 3))],
      1.05,
      ({ functionCode }) => (functionCode === 6 ? -1 : 0),
      (poller, clock) => {
        clock.at(0.5, () => {
          void poller.order(poller.blocks[0]!.unit, writeRegisterRequest(9, 7))?.then((outcome) => {
            kind = outcome.kind;
          });
        });
      },
    );
    expect(kind).toBe('unanswered');
    expect(asked.filter((request) => request.startsWith('1:6'))).toHaveLength(1);
  });
});
