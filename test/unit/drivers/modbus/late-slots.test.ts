import { expect, it } from 'vitest';
import { silence_s } from '../../../../drivers/modbus/protocol.ts';
import { channel, unitSpec } from '../../../support/modbus-rig.ts';
import { answerOf, RequestReader } from '../../../support/rtu-slave.ts';
import { rtuPoller, runPoller, VirtualClock, VirtualLine } from '../../../support/virtual-line.ts';

it('calls one slot that passed alone delayed, several in a row lost', async () => {
  const characterTime_s = 11 / 115_200;
  const clock = new VirtualClock();
  const counters: Record<string, number> = {};
  let requests = 0;
  const line = new VirtualLine(clock, characterTime_s, (bytes) => {
    requests++;
    let answer: Uint8Array | null = null;
    new RequestReader((request) => {
      answer = answerOf(request, (address) => address);
    }).push(bytes);
    // The device takes its time twice: over one whole slot of 10 ms, and over three.
    const delay_s = requests === 20 ? 0.021 : requests === 40 ? 0.042 : 0.002;
    return answer === null ? null : { bytes: answer, delay_s };
  });
  const slots: number[] = [];
  const { poller, wire } = rtuPoller(
    [unitSpec(1, [channel('holding', 0)], { poll_s: 0.01 })],
    line,
    silence_s(115_200, characterTime_s),
    clock,
    counters,
    { reply: (_block, _read, slot) => slots.push(slot), answering: () => undefined },
  );
  line.receive = (bytes, time_s) => wire.receive(bytes, time_s);
  await runPoller(poller, clock, 1);
  const steps = slots.slice(1).map((slot, i) => slot - slots[i]!);
  expect(steps.filter((step) => step > 1)).toEqual([2, 4]);
  expect(counters).toMatchObject({ slotsDelayed: 1, slotsLost: 3 });
  expect(poller.slotsLate(0)).toBe(1);
});
