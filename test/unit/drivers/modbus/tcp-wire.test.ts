import { expect, test } from 'vitest';
import { mbapFrame } from '../../../../drivers/modbus/mbap-framer.ts';
import { readRequest } from '../../../../drivers/modbus/requests.ts';
import { TcpWire } from '../../../../drivers/modbus/tcp-wire.ts';
import type { UnitHealth } from '../../../../drivers/modbus/unit-health.ts';
import type { Outcome } from '../../../../drivers/modbus/wire.ts';
import { VirtualClock } from '../../../support/virtual-line.ts';

const timeout_s = 0.1;
const unit = (address: number) => ({ unit: address, timeout_s }) as UnitHealth;
const request = readRequest('holding', 1000, 1);
const reply = (value: number) => Uint8Array.of(3, 2, value >> 8, value & 0xff);

/** A wire whose requests are noted by their transaction number, and what came of each. */
function setUp() {
  const clock = new VirtualClock();
  const counters: Record<string, number> = {};
  const sent: number[] = [];
  const broken: string[] = [];
  const line = {
    isOpen: true,
    characterTime_s: 0,
    write: (bytes: Uint8Array) => {
      sent.push((bytes[0]! << 8) | bytes[1]!);
      return clock.now_s();
    },
    readPending: () => undefined,
  };
  const wire = new TcpWire(line, 4, clock, counters, (why) => broken.push(why));
  const outcomes: string[] = [];
  const said = (outcome: Outcome) =>
    outcome.kind === 'reply' ? `${(outcome.data[0]! << 8) | outcome.data[1]!}` : outcome.kind;
  const ask = (address = 1) => {
    const place = outcomes.push('-') - 1;
    void wire.ask(unit(address), request).then((outcome) => {
      outcomes[place] = said(outcome);
    });
  };
  return { wire, clock, counters, sent, broken, outcomes, ask };
}

test('each reply goes to the request whose number it repeats, in any order', async () => {
  const { wire, clock, sent, outcomes, ask } = setUp();
  ask();
  ask();
  ask();
  expect(new Set(sent).size).toBe(3);
  for (const place of [2, 0, 1]) wire.receive(mbapFrame(sent[place]!, 1, reply(500 + place)), 0.01);
  await clock.runUntil(0.02);
  expect(outcomes).toEqual(['500', '501', '502']);
});

test('a reply that comes after its time is counted and is no other value', async () => {
  const { wire, clock, counters, sent, outcomes, ask } = setUp();
  ask();
  await clock.runUntil(0.2);
  ask();
  wire.receive(mbapFrame(sent[0]!, 1, reply(7)), 0.21);
  await clock.runUntil(0.22);
  expect(outcomes).toEqual(['unanswered', '-']);
  expect(counters['lateRepliesDiscarded']).toBe(1);
  wire.receive(mbapFrame(sent[1]!, 1, reply(8)), 0.23);
  await clock.runUntil(0.24);
  expect(outcomes).toEqual(['unanswered', '8']);
});

test.each([
  ['of another unit', 2, reply(7)],
  ['of another length', 1, Uint8Array.of(3, 4, 0, 7, 0, 8)],
  ['of another function', 1, Uint8Array.of(4, 2, 0, 7)],
])('the right number on a reply %s is no value', async (_what, address, pdu) => {
  const { wire, clock, counters, sent, outcomes, ask } = setUp();
  ask();
  wire.receive(mbapFrame(sent[0]!, address, pdu), 0.01);
  await clock.runUntil(0.02);
  expect(outcomes).toEqual(['unanswered']);
  expect(counters['repliesMismatched']).toBe(1);
});

test('a number that still waits is not used again when all 65536 have been', async () => {
  const { wire, clock, sent, outcomes, ask } = setUp();
  ask();
  for (let k = 1; k < 0x10000; k++) {
    ask();
    wire.receive(mbapFrame(sent.at(-1)!, 1, reply(1)), 0);
  }
  await clock.runUntil(0.01);
  ask();
  expect(sent.at(-1)).not.toBe(sent[0]);
  expect(outcomes[0]).toBe('-');
});

test('a stream that is no Modbus TCP is given up with the remedy', () => {
  const { wire, broken } = setUp();
  wire.receive(Uint8Array.of(1, 3, 2, 0, 7, 0, 0, 0, 0), 0);
  expect(broken).toEqual([expect.stringContaining('rtu-over-tcp')]);
});
