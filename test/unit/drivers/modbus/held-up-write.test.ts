import { expect, it } from 'vitest';
import { serialFrame } from '../../../../drivers/modbus/protocol.ts';
import { channel, unitSpec } from '../../../support/modbus-rig.ts';
import { rtuPoller, runPoller, VirtualClock, VirtualLine } from '../../../support/virtual-line.ts';

/** The process sleeps so long between the write and its look at the clock, in s. */
const heldUp_s = 0.02;
const characterTime_s = 1e-4;

/** As the link on a busy machine: the bytes leave at once, the end that is named comes from a later look at the clock. */
class HeldUpLine extends VirtualLine {
  override write(bytes: Uint8Array): number {
    return super.write(bytes) + heldUp_s;
  }
}

it('states an interval that holds the instant of the reply also when the write was held up', async () => {
  const clock = new VirtualClock();
  const acted_s: number[] = [];
  const line = new HeldUpLine(clock, characterTime_s, (frame, end_s) => {
    const count = (frame[4]! << 8) | frame[5]!;
    acted_s.push(end_s + 1e-3);
    const data = new Array<number>(2 * count).fill(7);
    // It arrives after the process has woken up.
    return { bytes: serialFrame(1, Uint8Array.of(3, data.length, ...data)), delay_s: heldUp_s + 2e-3 };
  });
  const unit = unitSpec(1, [channel('holding', 0), channel('holding', 1)], { poll_s: 0.1, timeout_s: 0.05 });
  const stated: { time_s: number; halfWidth_s: number }[] = [];
  const { poller, wire } = rtuPoller(
    [unit],
    line,
    1.75e-3,
    clock,
    {},
    {
      reply: (_block, _read, _slot, time_s, halfWidth_s) => stated.push({ time_s, halfWidth_s }),
      answering: () => undefined,
    },
  );
  line.receive = (chunk, time_s) => wire.receive(chunk, time_s);
  await runPoller(poller, clock, 1.05);
  expect(stated.length).toBeGreaterThan(5);
  // The first request was the probe.
  const polls_s = acted_s.slice(-stated.length);
  stated.forEach(({ time_s, halfWidth_s }, i) => {
    expect(Math.abs(time_s - polls_s[i]!)).toBeLessThanOrEqual(halfWidth_s + 1e-9);
  });
});
