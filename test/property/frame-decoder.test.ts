import fc from 'fast-check';
import { expect, it } from 'vitest';
import type { Counters } from '../../drivers/driver.ts';
import {
  encodeFrame,
  type Frame,
  FrameDecoder,
  frameBytes,
  longestFrame_bytes,
} from '../../drivers/serial-frames/frame.ts';

/** Any legal frame; the content follows from the numbers, so that shrinking stays readable. */
const anyFrame = fc
  .record({
    sequence: fc.integer({ min: 0, max: 0xffffffff }),
    period_ns: fc.integer({ min: 1, max: 0xffffffff }),
    channels: fc.integer({ min: 1, max: 6 }),
    scans: fc.integer({ min: 1, max: 8 }),
    isWide: fc.boolean(),
    isOverRange: fc.boolean(),
    status: fc.integer({ min: 0, max: 255 }),
    salt: fc.integer({ min: 0, max: 0x7fffffff }),
  })
  .map(({ salt, ...fields }): Frame => {
    const limit = fields.isWide ? 0x800000 : 0x8000;
    const samples = Int32Array.from(
      { length: fields.channels * fields.scans },
      // Sync bytes and extremes inside the payload, too.
      (_, i) =>
        [limit - 1, -limit, 0x5aa5 - limit, 0][(salt >> (i % 28)) & 3] || ((salt * (i + 1)) % limit) | 0,
    );
    const digital = Uint16Array.from({ length: fields.scans }, (_, i) =>
      (salt >> i) & 1 ? 0x5aa5 : salt >> i,
    );
    return { ...fields, digital, samples };
  });

function copy(frame: Frame): Frame {
  return {
    ...frame,
    digital: frame.digital.slice(0, frame.scans),
    samples: frame.samples.slice(0, frame.scans * frame.channels),
  };
}

function decode(chunks: Iterable<Uint8Array>): { frames: Frame[]; counters: Counters } {
  const frames: Frame[] = [];
  const counters: Counters = {};
  const decoder = new FrameDecoder(counters);
  for (const chunk of chunks) decoder.push(chunk, (frame) => frames.push(copy(frame)));
  decoder.reset();
  return { frames, counters };
}

function* split(bytes: Uint8Array, sizes: readonly number[]): Generator<Uint8Array> {
  let at = 0;
  for (let i = 0; at < bytes.length; i++) {
    const size = sizes.length === 0 ? bytes.length : sizes[i % sizes.length];
    yield bytes.slice(at, at + size);
    at += size;
  }
}

/** Enough to end any wait for the rest of a damaged frame. */
const tail = new Uint8Array(longestFrame_bytes);

const sizes = fc.array(fc.integer({ min: 1, max: 90 }), { maxLength: 12 });

it('gives the same frames for any split of the bytes', () => {
  fc.assert(
    fc.property(fc.array(anyFrame, { maxLength: 12 }), sizes, (sent, cuts) => {
      const { frames, counters } = decode(split(Buffer.concat(sent.map(encodeFrame)), cuts));
      expect(frames).toEqual(sent);
      expect(counters).toEqual({ framesReceived: sent.length, crcErrorsSeen: 0, bytesSkipped: 0 });
    }),
    { numRuns: 300 },
  );
});

/** Bytes that are not a frame but like to look like the start of one. */
const garbage = fc.oneof(
  fc.uint8Array({ maxLength: 60 }),
  fc
    .array(fc.constantFrom(0xa5, 0x5a, 0x00, 0x01, 0x02, 0x40), { maxLength: 40 })
    .map((a) => Uint8Array.from(a)),
  anyFrame.map((frame) => encodeFrame(frame).slice(0, 14)),
  // All of the CRC is cut: the next frame's first bytes might stand for a shorter rest of it.
  anyFrame.map((frame) => encodeFrame(frame).slice(0, -4)),
);

it('loses no frame to garbage between frames', () => {
  fc.assert(
    fc.property(fc.array(fc.tuple(garbage, anyFrame), { maxLength: 8 }), sizes, (parts, cuts) => {
      const sent = parts.map(([, frame]) => frame);
      const bytes = Buffer.concat([...parts.flatMap(([noise, frame]) => [noise, encodeFrame(frame)]), tail]);
      const { frames, counters } = decode(split(bytes, cuts));
      expect(frames).toEqual(sent);
      const used = sent.reduce(
        (sum, { channels, scans, isWide }) => sum + frameBytes(channels, scans, isWide),
        0,
      );
      expect(counters['bytesSkipped']).toBe(bytes.length - used);
    }),
    { numRuns: 300 },
  );
});

it('loses only the frames that damage touches, and never takes a wrong one', () => {
  fc.assert(
    fc.property(
      fc.array(anyFrame, { minLength: 1, maxLength: 8 }),
      fc.array(
        fc.tuple(
          fc.double({ min: 0, max: 1, maxExcluded: true, noNaN: true }),
          fc.integer({ min: 0, max: 7 }),
        ),
        {
          maxLength: 6,
        },
      ),
      sizes,
      (sent, flips, cuts) => {
        const encoded = sent.map(encodeFrame);
        const bytes = Buffer.concat([...encoded, tail]);
        const clean = Buffer.from(bytes);
        const length = bytes.length - tail.length;
        for (const [where, bit] of flips) bytes[Math.floor(where * length)] ^= 1 << bit;
        let at = 0;
        const whole = sent.filter((_, i) => {
          const from = at;
          at += encoded[i].length;
          return bytes.subarray(from, at).equals(clean.subarray(from, at));
        });
        expect(decode(split(bytes, cuts)).frames).toEqual(whole);
      },
    ),
    { numRuns: 500 },
  );
});

it('loses only the frame from which bytes vanish', () => {
  fc.assert(
    fc.property(
      fc.array(anyFrame, { minLength: 2, maxLength: 6 }),
      fc.nat(),
      fc.nat(),
      fc.integer({ min: 1, max: 5 }),
      (sent, which, where, count) => {
        const encoded = sent.map(encodeFrame);
        const hit = which % sent.length;
        const at = where % Math.max(1, encoded[hit].length - count);
        encoded[hit] = Buffer.concat([encoded[hit].subarray(0, at), encoded[hit].subarray(at + count)]);
        expect(decode([Buffer.concat([...encoded, tail])]).frames).toEqual(sent.filter((_, i) => i !== hit));
      },
    ),
    { numRuns: 300 },
  );
});
