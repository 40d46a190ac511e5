/** A recorder as `run` makes it, on a line of no device: signal-child.ts FOLDER orderly|stuck|throws|rejects. Says `started`. */
import { runUntilSignal } from '../../daemon/recorder/run.ts';
import { pushedLine } from './pushed-line.ts';
import { PushedDriver, recorderRig } from './recorder-rig.ts';

const [dataFolder, how] = process.argv.slice(2) as [string, string];
const driver = new PushedDriver(0.005);
// A device that never lets go: what a second signal is for.
if (how === 'stuck') driver.stop = () => new Promise(() => undefined);
setTimeout(() => {
  process.stdout.write('started\n');
  if (how === 'throws') throw new RangeError('planted');
  if (how === 'rejects') void Promise.reject(new RangeError('planted'));
}, 300);
await runUntilSignal(
  { ...recorderRig({ dataFolder }), lines: [pushedLine] },
  { serverModule: null, createDriver: () => driver, hasProgress: false, hasJson: false },
);
process.stdout.write('stopped in order\n');
process.exit();
