/** A converter on a pseudo-terminal, to be killed: a second after its start the pump stops, and the event is under way. */
import { flushCompileCache } from 'node:module';
import { PtyPort } from '../../daemon/virtual-rig/pty.ts';
import { monotonic_s } from '../../drivers/driver.ts';
import { killedLine } from './kill-config.ts';
import { encodeStreamFrame } from './stream-frame.ts';
import { frameScans, tripEvery_scans, tripScans } from './values.ts';

// It is killed before Node would keep what was compiled.
flushCompileCache();

/** The pump has run so long when it stops, in scans: a second. */
const before_scans = 5000;

const path = process.env['SOAK_PORT'];
if (path === undefined) throw new Error('SOAK_PORT names no port');
const port = new PtyPort(path);
const start_s = monotonic_s();
const [stop_scan] = tripScans(tripEvery_scans);
if (stop_scan === undefined) throw new Error('no trip');
let frame = Math.floor((stop_scan - before_scans) / frameScans);
const first = frame;

setInterval(() => {
  const due = first + Math.floor(((monotonic_s() - start_s) * killedLine.rate_Hz) / frameScans);
  for (; frame < due; frame++) port.write(encodeStreamFrame(killedLine, frame));
}, 5);
process.on('disconnect', () => process.exit(0));
process.send?.({ kind: 'started' });
