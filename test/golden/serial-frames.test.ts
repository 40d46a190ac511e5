import { readFileSync } from 'node:fs';
import { crc32 } from 'node:zlib';
import { expect, it } from 'vitest';
import type { Counters } from '../../drivers/driver.ts';
import { encodeFrame, type Frame, FrameDecoder } from '../../drivers/serial-frames/frame.ts';

const folder = new URL('serial-frames/example/', import.meta.url);
const hex = readFileSync(new URL('frames.hex', folder), 'utf8').trim().split(/\s+/);
const expected = JSON.parse(readFileSync(new URL('expected.json', folder), 'utf8'));

it('decodes the bytes of the specification', () => {
  const frames: unknown[] = [];
  const counters: Counters = {};
  new FrameDecoder(counters).push(Buffer.from(hex.join(''), 'hex'), (frame) => {
    const { scans, channels } = frame;
    frames.push({
      ...frame,
      digital: Array.from(frame.digital.subarray(0, scans)),
      samples: Array.from(frame.samples.subarray(0, scans * channels)),
    });
  });
  expect(frames).toEqual([expected]);
  expect(counters).toEqual({ framesReceived: 1, crcErrorsSeen: 0, bytesSkipped: 0 });
});

it('encodes to the bytes of the specification', () => {
  const frame: Frame = {
    ...expected,
    digital: Uint16Array.from(expected.digital),
    samples: Int32Array.from(expected.samples),
  };
  expect(Buffer.from(encodeFrame(frame)).toString('hex').toUpperCase()).toBe(hex.join(''));
});

it('stands in the source as it is tested here', () => {
  const source = readFileSync(new URL('../../drivers/serial-frames/frame.ts', import.meta.url), 'utf8');
  expect(source).toContain(hex.join(' '));
});

it('uses the CRC-32 whose published check value is CBF43926', () => {
  expect(crc32('123456789')).toBe(0xcbf43926);
});
