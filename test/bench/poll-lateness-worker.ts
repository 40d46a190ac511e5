/**
 * Polls on a grid and says how late the requests were: `node poll-lateness-worker.ts PATH BAUD POLL_S POLLS`, one JSON
 * line. The least late of them defines 0: the grid's own origin is the master's secret.
 */
import { monotonic_s } from '../../drivers/driver.ts';
import { Link } from '../../drivers/link.ts';
import { realClock, sharpenTimers } from '../../drivers/modbus/precise-wait.ts';
import { silence_s } from '../../drivers/modbus/protocol.ts';
import { rtuPoller } from '../support/virtual-line.ts';

const [path, baudText, pollText, pollsText] = process.argv.slice(2) as [string, string, string, string];
const baud = Number(baudText);
const poll_s = Number(pollText);

/** Polls that are not counted: opening, confirming, compiling. */
const warmUp = 50;

const link: Link = new Link(
  { kind: 'serial', path, baud, dataBits: 8, parity: 'none', stopBits: 2 },
  {},
  {
    data: (chunk, time_s) => wire.receive(chunk, time_s),
    state: ({ state }) => {
      if (state === 'open') master.start();
    },
  },
);
let written_s = 0;
const late_s: number[] = [];
const counters: Record<string, number> = {};
const { poller: master, wire } = rtuPoller(
  [
    {
      id: 'unit',
      unit: 1,
      poll_s,
      timeout_s: 0.5,
      gap_s: 0,
      maxRegisters: 125,
      maxGap: 0,
      channels: [0, 1].map((i) => ({
        id: `h${i}`,
        table: 'holding' as const,
        address: i,
        type: 'uint16' as const,
        wordOrder: 'ABCD' as const,
        bit: null,
      })),
    },
  ],
  {
    get isOpen() {
      return link.isOpen;
    },
    characterTime_s: link.characterTime_s,
    write: (bytes) => {
      written_s = monotonic_s();
      return link.write(bytes);
    },
    readPending: () => link.readPending(),
  },
  silence_s(baud, link.characterTime_s),
  realClock,
  counters,
  {
    reply: (_block, _read, slot) => {
      late_s.push(written_s - slot * poll_s);
      if (late_s.length < Number(pollsText) + warmUp) return;
      const counted = late_s.slice(warmUp).sort((a, b) => a - b);
      const quantile_ms = (share: number): number =>
        1000 * (counted[Math.min(counted.length - 1, Math.floor(share * counted.length))]! - counted[0]!);
      process.stdout.write(
        `${JSON.stringify({
          p50_ms: quantile_ms(0.5),
          p99_ms: quantile_ms(0.99),
          max_ms: quantile_ms(1),
          slotsLost: counters['slotsLost'],
        })}\n`,
        () => process.exit(0),
      );
    },
    answering: () => undefined,
  },
);
sharpenTimers();
link.open();
