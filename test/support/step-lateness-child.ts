/** Steps when it is told to, says how late it was, and ends. */
import { stepLateness_ms } from './step-lateness.ts';

process.on('message', () => {
  void stepLateness_ms().then((late_ms) => {
    process.send?.(late_ms, () => process.exit());
  });
});
process.on('disconnect', () => process.exit());
process.send?.('ready');
