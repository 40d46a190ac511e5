import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { Counters, RawBlock } from '../../drivers/driver.ts';
import type { SerialFramesLineSpec } from '../../drivers/line-spec.ts';
import { BinaryReceiver } from '../../drivers/serial-frames/binary.ts';
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';
import { ScanStream } from '../../drivers/serial-frames/scan-stream.ts';

const scans = 25;
const rate_Hz = 5000;
const frame_s = scans / rate_Hz;
/** Samples carry the scan's number modulo this. */
const modulus = 2 ** 15;

const spec: SerialFramesLineSpec = {
  driver: 'serial-frames',
  id: 'stream',
  link: { kind: 'tcp', host: '127.0.0.1', port: 1 },
  framing: { kind: 'binary' },
  rate_Hz,
  delay_s: 0,
  channels: [{ id: 'number', source: 'analog', index: 0 }],
};

function frame(number: number): Uint8Array {
  return encodeFrame({
    sequence: number * scans,
    period_ns: 1e9 / rate_Hz,
    channels: 1,
    scans,
    isWide: false,
    isOverRange: false,
    status: 0,
    digital: new Uint16Array(scans),
    samples: Int32Array.from({ length: scans }, (_, i) => (number * scans + i) % modulus),
  });
}

/** So many frames that come so late, of which some do not come at all, perhaps after the line was opened anew. */
const stretch = fc.record({
  frames: fc.integer({ min: 1, max: 500 }),
  delay_s: fc.double({ min: 0, max: 4, noNaN: true }),
  lostEach: fc.integer({ min: 2, max: 60 }),
  isReopened: fc.boolean(),
});

test('however late a machine reads, the numbers of the scans are those of the converter', () => {
  fc.assert(
    fc.property(fc.array(stretch, { minLength: 1, maxLength: 8 }), (stretches) => {
      const counters: Counters = {};
      const blocks: RawBlock[] = [];
      const stream = new ScanStream(1, false, 0.6, counters, (block) => blocks.push(block));
      const receiver = new BinaryReceiver(spec, 0, counters, stream);
      let number = 0;
      let arrival_s = 0;
      let received = 0;
      for (const { frames, delay_s, lostEach, isReopened } of stretches) {
        if (isReopened) receiver.reopened();
        for (let i = 0; i < frames; i++, number++) {
          arrival_s = Math.max(arrival_s, 100 + (number + 1) * frame_s + delay_s);
          if (i % lostEach === lostEach - 1) continue;
          receiver.push(frame(number), arrival_s);
          received += scans;
        }
      }
      stream.flush();
      const [first] = blocks;
      if (first === undefined) return;
      const shift = first.raw[0]! - first.scan;
      let recorded = 0;
      for (const { scan, scans: length, raw } of blocks) {
        for (let i = 0; i < length; i++) expect(raw[i]).toBe((scan + i + shift) % modulus);
        recorded += length;
      }
      const last = blocks.at(-1)!;
      const { scansLost, scansDiscarded } = counters;
      // What was discarded at the very end has nothing behind it yet.
      expect(recorded + scansDiscarded!).toBe(received);
      expect(recorded + scansLost! + scansDiscarded!).toBeGreaterThanOrEqual(last.scan + last.scans);
    }),
    { numRuns: 60 },
  );
}, 300_000);
