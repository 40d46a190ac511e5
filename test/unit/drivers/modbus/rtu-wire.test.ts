import { expect, test } from 'vitest';
import { serialFrame } from '../../../../drivers/modbus/protocol.ts';
import { longestReply, readRequest } from '../../../../drivers/modbus/requests.ts';
import { RtuWire } from '../../../../drivers/modbus/rtu-wire.ts';
import { UnitHealth } from '../../../../drivers/modbus/unit-health.ts';
import type { Outcome } from '../../../../drivers/modbus/wire.ts';
import { channel, unitSpec } from '../../../support/modbus-rig.ts';
import { VirtualClock, VirtualLine } from '../../../support/virtual-line.ts';

const characterTime_s = 1e-4;
const silence_s = 1.75e-3;
const delay_s = 2e-3;
const registers = 20;
const request = readRequest('holding', 0, registers);

/** A wire to one unit that answers 2 ms after a request, or never. */
function setUp(isAnswering: boolean) {
  const clock = new VirtualClock();
  const reply = serialFrame(1, Uint8Array.of(3, 2 * registers, ...new Array(2 * registers).fill(7)));
  const line = new VirtualLine(clock, characterTime_s, () =>
    isAnswering ? { bytes: reply, delay_s } : null,
  );
  const channels = Array.from({ length: registers }, (_, address) => channel('holding', address));
  const unit = new UnitHealth([unitSpec(1, channels, { timeout_s: 0.05 })], true);
  const wire = new RtuWire(line, silence_s, 'none', clock, {}, () => unit);
  line.receive = (chunk, time_s) => wire.receive(chunk, time_s);
  return { clock, unit, wire };
}

test('a reply was put together between the end of its request and its first byte, not its last', async () => {
  const { clock, unit, wire } = setUp(true);
  let outcome: Outcome | null = null;
  void wire.ask(unit, request, false).then((found) => {
    outcome = found;
  });
  await clock.runUntil(0.1);
  const end_s = 8 * characterTime_s;
  expect(outcome).toMatchObject({ kind: 'reply' });
  const { from_s, to_s } = outcome as unknown as Outcome & { kind: 'reply' };
  expect(from_s).toBeCloseTo(end_s, 9);
  expect(to_s).toBeCloseTo(end_s + delay_s, 9);
});

test('after a time-out the line is left alone for the longest reply: it may just have begun', async () => {
  const { clock, unit, wire } = setUp(false);
  let ended_s = Number.NaN;
  void wire.ask(unit, request, false).then(() => {
    ended_s = clock.now_s();
  });
  await clock.runUntil(0.2);
  expect(ended_s).toBeGreaterThan(0.05);
  const reply_s = (longestReply(request) + 3) * characterTime_s;
  expect(wire.freeFrom_s(0)).toBeCloseTo(ended_s + reply_s + silence_s, 9);
});
