import { describe, expect, it } from 'vitest';
import { PacedLine } from '../../../daemon/virtual-rig/paced-line.ts';
import { Random } from '../../../daemon/virtual-rig/random.ts';

const bytes = (count: number) => Uint8Array.from({ length: count }, (_, i) => i & 0xff);

function released(line: PacedLine, now_s: number): number[] {
  const all: number[] = [];
  line.take(now_s, (part) => all.push(...part));
  return all;
}

describe('a paced line', () => {
  it('lets a byte go when its last bit has left, 11 bits a character', () => {
    const line = new PacedLine({ baud: 19_200, characterBits: 11 }, new Random(1));
    const character_s = 11 / 19_200;
    expect(line.send(bytes(4), 10)).toBeCloseTo(10 + 4 * character_s, 12);
    expect(released(line, 10 + 0.99 * character_s)).toEqual([]);
    expect(released(line, 10 + 1.01 * character_s)).toEqual([0]);
    expect(released(line, 10 + 3.5 * character_s)).toEqual([1, 2]);
    expect(released(line, line.nextEnd_s!)).toEqual([3]);
    expect(line.nextEnd_s).toBeNull();
  });

  it('keeps the rate however seldom and unevenly it is asked, without drift', () => {
    const line = new PacedLine({ baud: 115_200, characterBits: 10 }, new Random(1));
    const random = new Random(5);
    line.send(bytes(50_000), 0);
    let count = 0;
    let now_s = 0;
    while (line.nextEnd_s !== null) {
      now_s += random.between(1e-5, 8e-3);
      count += released(line, now_s).length;
      const due = Math.min(50_000, now_s * 11_520);
      expect(count).toBeLessThanOrEqual(due + 1e-6);
      expect(count).toBeGreaterThan(due - 1.001);
    }
    expect(count).toBe(50_000);
  });

  it('sends one message after the other, none before its earliest instant', () => {
    const line = new PacedLine({ baud: 9600, characterBits: 10 }, new Random(1));
    const first_s = line.send(bytes(10), 0);
    expect(line.send(bytes(2), 0)).toBeCloseTo(first_s + 2 * (10 / 9600), 12);
    expect(line.send(bytes(1), 1)).toBeCloseTo(1 + 10 / 9600, 12);
    expect(released(line, 0.5)).toHaveLength(12);
    expect(released(line, 1.0009)).toEqual([]);
    expect(released(line, 1.0011)).toHaveLength(1);
  });

  it('takes its time to receive, too', () => {
    const line = new PacedLine({ baud: 9600, characterBits: 10 }, new Random(1));
    line.receive(bytes(8), 2);
    expect(line.received_s).toBeCloseTo(2 + 8 / 960, 12);
    line.receive(bytes(1), 2.001);
    expect(line.received_s).toBeCloseTo(2 + 9 / 960, 12);
  });

  it('refuses and counts what does not fit into its buffer', () => {
    const line = new PacedLine({ baud: 9600, characterBits: 10 }, new Random(1));
    line.send(bytes(60_000), 0);
    line.send(bytes(10_000), 0);
    expect(line.bytesOverrun).toBe(10_000);
    line.clear();
    line.send(bytes(10_000), 0);
    expect(line.bytesOverrun).toBe(10_000);
  });

  it('turns bits and loses bytes as often as asked, and counts them', () => {
    const line = new PacedLine({ baud: 1_000_000, characterBits: 10 }, new Random(3));
    line.faults.bitErrors_ratio = 1e-3;
    let turned = 0;
    for (let i = 0; i < 100; i++) {
      const sent = bytes(1000);
      line.send(sent, i);
      released(line, i + 0.5).forEach((byte, at) => {
        for (let rest = byte ^ (at & 0xff); rest !== 0; rest >>= 1) turned += rest & 1;
      });
    }
    expect(turned).toBe(line.bitsTurned);
    // 800 000 bits: mean 800, standard deviation 28.
    expect(turned).toBeGreaterThan(660);
    expect(turned).toBeLessThan(940);
    line.faults.bitErrors_ratio = 0;
    line.faults.lostBytes_ratio = 0.1;
    const arrived = line.receive(bytes(10_000), 200);
    expect(arrived.length + line.bytesLost).toBe(10_000);
    expect(line.bytesLost).toBeGreaterThan(850);
    expect(line.bytesLost).toBeLessThan(1150);
  });
});
