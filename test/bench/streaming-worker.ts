/**
 * The converter of streaming.ts, in a process of its own: streams from when its parent says so, on a port of the given name, in
 * packets of 64 bytes (USB full speed) spread over the time of the wire. It spins to be on time: it is not what is measured.
 */
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { FrameSource, type FrameSourceSpec } from '../support/frame-source.ts';

const packet_bytes = 64;

const [link, text] = process.argv.slice(2);
const spec = JSON.parse(text) as FrameSourceSpec;
const port = new PtyPort(link);
const source = new FrameSource({ ...spec, wire_s: 0 }, 0, (bytes) => {
  const taken_s = source.time_s(source.next - 1);
  for (let from = 0; from < bytes.length; from += packet_bytes) {
    const to = Math.min(bytes.length, from + packet_bytes);
    const due_s = taken_s + (spec.wire_s * to) / bytes.length;
    while (monotonic_s() < due_s);
    port.write(bytes.subarray(from, to));
  }
});
process.on('message', (message) => {
  if (message === 'run') source.run();
  else source.stop();
  process.send?.({ start_s: source.start_s, next: source.next, overrun: port.counters.bytesOverrun });
});
process.on('disconnect', () => process.exit(0));
process.send?.('ready');
