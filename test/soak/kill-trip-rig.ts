/** A converter on a pseudo-terminal that outlives its recorders: runs and stops its pump again and again, and says each stop. */
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { trippingLine } from './kill-config.ts';
import { encodeStreamFrame } from './stream-frame.ts';
import { frameScans } from './values.ts';

/** The truth of a trip: the instant of the first scan without drive, on the clock that all processes share, in s. */
export type FromTrippingRig =
  | { readonly kind: 'started' }
  | { readonly kind: 'stop'; readonly stop_s: number };

const path = process.env['SOAK_PORT'];
if (path === undefined) throw new Error('SOAK_PORT names no port');
const { cycle, rate_Hz } = trippingLine;
if (cycle === undefined) throw new Error('the line has no cycle');
const { every_scans, running_scans } = cycle;
const port = new PtyPort(path);
const start_s = monotonic_s();
let frame = 0;
let next_scan = running_scans;

function tell(message: FromTrippingRig): void {
  process.send?.(message);
}

setInterval(() => {
  const due = Math.floor(((monotonic_s() - start_s) * rate_Hz) / frameScans);
  for (; frame < due; frame++) {
    port.write(encodeStreamFrame(trippingLine, frame));
    if (next_scan >= (frame + 1) * frameScans) continue;
    tell({ kind: 'stop', stop_s: start_s + next_scan / rate_Hz });
    next_scan += every_scans;
  }
}, 5);
process.on('disconnect', () => process.exit(0));
tell({ kind: 'started' });
