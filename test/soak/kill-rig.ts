/** A converter on a pseudo-terminal, to be killed: a second after its start the pump stops, and the event is under way. */
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { encodeFrame } from '../../drivers/serial-frames/frame.ts';
import { killedLine } from './kill-config.ts';
import { frameScans, streamColumns, streamValues, tripEvery_scans, tripScans } from './values.ts';

/** The pump has run so long when it stops, in scans: a second. */
const before_scans = 5000;

const path = process.env['SOAK_PORT'];
if (path === undefined) throw new Error('SOAK_PORT names no port');
const port = new PtyPort(path);
const start_s = monotonic_s();
const analog = streamColumns.length - 1;
const [stop_scan] = tripScans(tripEvery_scans);
if (stop_scan === undefined) throw new Error('no trip');
let frame = Math.floor((stop_scan - before_scans) / frameScans);
const first = frame;

setInterval(() => {
  const due = first + Math.floor(((monotonic_s() - start_s) * killedLine.rate_Hz) / frameScans);
  for (; frame < due; frame++) port.write(encode(frame));
}, 5);
process.on('disconnect', () => process.exit(0));
process.send?.({ kind: 'started' });

function encode(number: number): Uint8Array {
  const columns = new Int32Array(streamColumns.length);
  const digital = new Uint16Array(frameScans);
  const samples = new Int32Array(frameScans * analog);
  for (let i = 0; i < frameScans; i++) {
    streamValues(number * frameScans + i, killedLine.salt, columns, 0);
    samples.set(columns.subarray(0, analog), i * analog);
    digital[i] = columns[analog]!;
  }
  const sequence = number * frameScans;
  const period_ns = 1e9 / killedLine.rate_Hz;
  return encodeFrame({
    sequence,
    period_ns,
    channels: analog,
    scans: frameScans,
    isWide: false,
    isOverRange: false,
    status: 0,
    digital,
    samples,
  });
}
