/** A frame of a soak's converter, as it goes on the wire. */
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';
import type { StreamLine } from './lines.ts';
import { frameScans, streamColumns, streamValues } from './values.ts';

const analog = streamColumns.length - 1;

/** Frame number `frame` of a line, in frames since its scan 0. */
export function encodeStreamFrame(line: StreamLine, frame: number): Uint8Array {
  const columns = new Int32Array(streamColumns.length);
  const digital = new Uint16Array(frameScans);
  const samples = new Int32Array(frameScans * analog);
  const sequence = frame * frameScans;
  for (let i = 0; i < frameScans; i++) {
    streamValues(sequence + i, line, columns, 0);
    samples.set(columns.subarray(0, analog), i * analog);
    digital[i] = columns[analog]!;
  }
  return encodeFrame({
    sequence,
    period_ns: Math.round(1e9 / line.rate_Hz),
    channels: analog,
    scans: frameScans,
    isWide: false,
    isOverRange: false,
    status: 0,
    digital,
    samples,
  });
}
