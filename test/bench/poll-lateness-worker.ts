/** Polls on a grid and says how late the requests were: `node poll-lateness-worker.ts PATH BAUD POLL_S POLLS`, one JSON line. */
import { sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { LatePolls, quantile } from '../support/late-polls.ts';

const [path, baud, poll_s, wanted] = process.argv.slice(2) as [string, string, string, string];

/** Polls that are not counted: opening, confirming, compiling. */
const warmUp = 50;

const polls = new LatePolls(path, Number(baud), Number(poll_s), () => {
  if (polls.late_s.length < Number(wanted) + warmUp) return;
  const late_ms = polls.sorted_ms(warmUp);
  const told = {
    p50_ms: quantile(late_ms, 0.5),
    p99_ms: quantile(late_ms, 0.99),
    max_ms: quantile(late_ms, 1),
    slotsLost: polls.counters['slotsLost']! + polls.counters['slotsDelayed']!,
  };
  process.stdout.write(`${JSON.stringify(told)}\n`, () => process.exit(0));
});
sharpenTimers();
polls.open();
