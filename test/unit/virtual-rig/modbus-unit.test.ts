/** Frames: worked examples of the Modbus Application Protocol V1.1b3, 6.1-6.4; timing: Modbus over Serial Line V1.02, 2.5.1.1. */
import { describe, expect, it } from 'vitest';
import { frameGap_s, ModbusBus, type UnitSpec } from '../../../daemon/virtual-rig/modbus-unit.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';
import type { RegisterSpec } from '../../../daemon/virtual-rig/register-map.ts';

const gap_s = 1.75e-3;
const hex = (text: string) => Uint8Array.from(Buffer.from(text.replaceAll(' ', ''), 'hex'));
const text = (bytes: Uint8Array | undefined) =>
  Buffer.from(bytes ?? [])
    .toString('hex')
    .toUpperCase();

const place = (table: RegisterSpec['table'], address: number, source: string): RegisterSpec => ({
  table,
  address,
  type: table === 'coil' || table === 'discrete' ? 'bit' : 'uint16',
  wordOrder: 'ABCD',
  sources: [source],
  scale: 1,
  offset: 0,
});

/** Bits of the example's bytes, least significant first. */
const bitsOf = (bytes: readonly number[], count: number) =>
  Array.from({ length: count }, (_, i) => String((bytes[i >> 3]! >> (i & 7)) & 1));

/** The device of the published examples: coils 20-38, inputs 197-218, holding 108-110, input register 9 (1-based). */
const published: UnitSpec = {
  unit: 1,
  turnaround_s: 0,
  maxRegisters: 125,
  registers: [
    ...bitsOf([0xcd, 0x6b, 0x05], 19).map((bit, i) => place('coil', 0x13 + i, bit)),
    ...bitsOf([0xac, 0xdb, 0x35], 22).map((bit, i) => place('discrete', 0xc4 + i, bit)),
    ...['555', '0', '100'].map((value, i) => place('holding', 0x6b + i, value)),
    place('input', 8, '10'),
  ],
};

const makeBus = (spec: UnitSpec = published) => new ModbusBus([spec], gap_s, Number, new Random(1));

function ask(bus: ModbusBus, request: string, start_s = 1) {
  bus.receive(hex(request), start_s);
  return bus.finish(start_s + 0.01);
}

describe('a Modbus unit', () => {
  it.each([
    ['01 read coils', '01 01 00 13 00 13 8C 02', '010103CD6B054282'],
    ['02 read discrete inputs', '01 02 00 C4 00 16 B8 39', '010203ACDB352288'],
    ['03 read holding registers', '01 03 00 6B 00 03 74 17', '010306022B00000064057A'],
    ['04 read input registers', '01 04 00 08 00 01 B0 08', '010402000A3937'],
  ])('answers the published example of %s', (_name, request, reply) => {
    expect(text(ask(makeBus(), request)?.bytes)).toBe(reply);
  });

  it('answers after the silence that ends the request and its turnaround', () => {
    const bus = makeBus({ ...published, turnaround_s: 0.005 });
    expect(ask(bus, '01 04 00 08 00 01 B0 08')?.earliest_s).toBeCloseTo(1.01 + gap_s + 0.005, 12);
    expect(frameGap_s(11 / 19_200, 19_200)).toBeCloseTo(3.5 * (11 / 19_200), 12);
    expect(frameGap_s(11 / 115_200, 115_200)).toBe(1.75e-3);
  });

  it.each([
    ['01 for a function it does not offer', '01 06 00 01 00 03 98 0B', '01860183A0'],
    ['02 for an address it does not have', '01 01 04 A1 00 01 AD 18', '018102C191'],
    ['02 for a block with a hole', '01 03 00 6B 00 04 35 D5', '018302C0F1'],
    ['03 for no register at all', '01 03 00 6B 00 00 34 16', '0183030131'],
    ['03 for 126 registers', '01 03 00 00 00 7E C5 EA', '0183030131'],
  ])('answers exception %s', (_name, request, reply) => {
    const bus = makeBus();
    expect(text(ask(bus, request)?.bytes)).toBe(reply);
    expect(bus.counters.exceptionsSent).toBe(1);
  });

  it('is silent on a damaged frame, a short one, a foreign address and a broadcast', () => {
    const bus = makeBus();
    expect(ask(bus, '01 04 00 08 00 01 B0 09')).toBeNull();
    expect(ask(bus, '01 04')).toBeNull();
    expect(bus.counters.framesRefused).toBe(2);
    expect(ask(bus, '11 03 00 6B 00 03 76 87')).toBeNull();
    expect(ask(bus, '00 03 00 6B 00 03 75 C6')).toBeNull();
    expect(bus.counters.framesRefused).toBe(2);
    expect(bus.counters.requestsReceived).toBe(0);
    expect(ask(bus, '01 04 00 08 00 01 B0 08')).not.toBeNull();
  });

  it('takes a request in pieces', () => {
    const bus = makeBus();
    bus.receive(hex('01 04 00'), 1);
    bus.receive(hex('08 00 01 B0 08'), 1.0001);
    expect(text(bus.finish(1.001)?.bytes)).toBe('010402000A3937');
  });

  it('counts requests that follow the last reply too soon, and those that run into it', () => {
    const bus = makeBus();
    const request = '01 04 00 08 00 01 B0 08';
    bus.replied(1, 2);
    ask(bus, request, 2 + gap_s);
    expect(bus.counters.shortGaps).toBe(0);
    ask(bus, request, 2 + 0.99 * gap_s);
    expect(bus.counters.shortGaps).toBe(1);
    ask(bus, request, 1.5);
    expect(bus.counters).toMatchObject({ shortGaps: 1, collisionsSeen: 1 });
  });

  it('can be dead or late', () => {
    const bus = makeBus();
    const request = '01 04 00 08 00 01 B0 08';
    bus.setFaults(1, { isDead: true });
    expect(ask(bus, request)).toBeNull();
    bus.setFaults(1, { isDead: false, late_ratio: 1, latest_s: 1 });
    // Ten seconds apart: no answer waits for one that is owed.
    const delays = Array.from(
      { length: 200 },
      (_, k) => ask(bus, request, 10 * k)!.earliest_s - 10 * k - 0.01 - gap_s,
    );
    expect(Math.min(...delays)).toBeGreaterThan(-1e-9);
    expect(Math.min(...delays)).toBeLessThan(0.05);
    expect(Math.max(...delays)).toBeGreaterThan(0.95);
    expect(Math.max(...delays)).toBeLessThan(1 + 1e-9);
    expect(bus.counters.repliesDelayed).toBe(200);
    expect(() => bus.setFaults(9, {})).toThrow('unit 9 is not on this bus; allowed: 1');
  });

  // A slave serves one request after the other (Modbus over Serial Line V1.02, 2.4: one transaction at a time).
  it('answers in the order in which it was asked, however late', () => {
    const bus = makeBus();
    const request = '01 04 00 08 00 01 B0 08';
    bus.setFaults(1, { late_ratio: 0.5, latest_s: 1 });
    let last_s = 0;
    for (let k = 0; k < 200; k++) {
      const { earliest_s } = ask(bus, request, 1 + 0.1 * k)!;
      expect(earliest_s).toBeGreaterThan(last_s);
      last_s = earliest_s;
    }
  });

  it('is not made twice on one bus', () => {
    expect(() => new ModbusBus([published, published], gap_s, Number, new Random(1))).toThrow('twice');
  });
});
