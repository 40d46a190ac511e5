import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { Request } from '../../drivers/modbus/requests.ts';
import { RtuFramer } from '../../drivers/modbus/rtu-framer.ts';
import { sealed } from '../support/rtu-slave.ts';

/** Reads of every function and length. */
const anyRead: readonly Request[] = [1, 2, 3, 4].flatMap((functionCode) =>
  Array.from(
    { length: 250 },
    (_, i): Request => ({
      functionCode,
      pdu: new Uint8Array(0),
      form: { kind: 'data', byteCount: i + 1 },
    }),
  ),
);

/** Feeds the chunks and returns the frames found, as text. */
function read(
  chunks: readonly Uint8Array[],
  units: readonly number[] = [1, 2],
): { frames: string[]; lost: number } {
  const frames: string[] = [];
  let lost = 0;
  const framer = new RtuFramer(
    {
      awaited: (unit) => (units.includes(unit) ? anyRead : []),
      frame: ({ unit, pdu }) => {
        const isException = pdu[0]! > 0x80;
        frames.push(`${unit} ${pdu[0]} ${pdu.subarray(isException ? 1 : 2).join(' ')}`);
      },
      crcFailed: () => undefined,
      discarded: (count) => {
        lost += count;
      },
    },
    0,
  );
  for (const chunk of chunks) framer.push(chunk, 0);
  framer.finish();
  return { frames, lost };
}

/** Cuts `stream` at the given shares of its length. */
function cut(stream: Uint8Array, shares: readonly number[]): Uint8Array[] {
  const at = [0, ...shares.map((share) => Math.floor(share * stream.length)), stream.length].sort(
    (a, b) => a - b,
  );
  return at.slice(1).map((end, i) => stream.subarray(at[i], end));
}

const reply = fc
  .record({
    unit: fc.constantFrom(1, 2),
    functionCode: fc.constantFrom(1, 2, 3, 4),
    data: fc.uint8Array({ minLength: 1, maxLength: 250 }),
  })
  .map(({ unit, functionCode, data }) => ({
    bytes: sealed(unit, functionCode, data.length, ...data),
    text: `${unit} ${functionCode} ${data.join(' ')}`,
  }));

const exception = fc
  .record({
    unit: fc.constantFrom(1, 2),
    functionCode: fc.constantFrom(1, 2, 3, 4),
    code: fc.integer({ min: 1, max: 11 }),
  })
  .map(({ unit, functionCode, code }) => ({
    bytes: sealed(unit, functionCode | 0x80, code),
    text: `${unit} ${functionCode | 0x80} ${code}`,
  }));

const frames = fc.array(fc.oneof(reply, exception), { minLength: 1, maxLength: 12 });
const shares = fc.array(fc.double({ min: 0, max: 1, noNaN: true }), { maxLength: 40 });

describe('framer', () => {
  it('finds the same frames however the stream is cut', () => {
    fc.assert(
      fc.property(frames, shares, (list, where) => {
        const stream = Uint8Array.from(list.flatMap(({ bytes }) => [...bytes]));
        const found = read(cut(stream, where));
        expect(found.frames).toEqual(list.map(({ text }) => text));
        expect(found.lost).toBe(0);
      }),
      { numRuns: 300 },
    );
  });

  it('loses to garbage only the frames that it touches', () => {
    /** Bytes that are no unit's address cannot look like a header, so each garbage byte is surely discarded. */
    const noise = fc.uint8Array({ maxLength: 30 }).map((bytes) => bytes.map((byte) => byte | 0x10));
    fc.assert(
      fc.property(
        fc.array(fc.tuple(noise, fc.oneof(reply, exception), fc.boolean(), fc.nat()), {
          minLength: 1,
          maxLength: 10,
        }),
        shares,
        (list, where) => {
          const stream: number[] = [];
          const expected: string[] = [];
          for (const [before, { bytes, text }, isDamaged, place] of list) {
            const frame = Uint8Array.from(bytes);
            // A CRC of 16 bits finds every single turned bit (Modbus over Serial Line V1.02, 6.2.2).
            if (isDamaged) frame[place % frame.length]! ^= 1 << (place % 8);
            else expected.push(text);
            stream.push(...before, ...frame);
          }
          const found = read(cut(Uint8Array.from(stream), where));
          // A damaged frame may by its own bytes hold another: what counts is that no whole one is missing.
          expect(found.frames.filter((text) => expected.includes(text))).toEqual(expected);
        },
      ),
      { numRuns: 300 },
    );
  });

  it('survives 64 kB of anything', () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 65_536, maxLength: 65_536 }), shares, (stream, where) => {
        const found = read(cut(stream, where), [1, 2, 3, 50, 100, 200]);
        expect(found.lost).toBeGreaterThan(60_000);
      }),
      { numRuns: 4 },
    );
  });
});
