/** Polls two registers of one unit on a grid and remembers how late each request was. */
import { monotonic_s } from '../../drivers/driver.ts';
import { Link } from '../../drivers/link.ts';
import { realClock } from '../../drivers/modbus/precise-wait.ts';
import { silence_s } from '../../drivers/modbus/protocol.ts';
import { channel, serialLink, unitSpec } from './modbus-rig.ts';
import { rtuPoller } from './virtual-line.ts';

export class LatePolls {
  readonly counters: Record<string, number> = {};
  /** Instants of writing less their place on the grid, in s, from an origin that only the master knows. */
  readonly late_s: number[] = [];
  readonly #link: Link;

  /** `polled` is called after each reply. */
  constructor(path: string, baud: number, poll_s: number, polled: () => void) {
    let written_s = 0;
    const link: Link = new Link(
      serialLink(path, baud),
      {},
      {
        data: (chunk, time_s) => wire.receive(chunk, time_s),
        state: ({ state }) => {
          if (state === 'open') poller.start();
        },
      },
    );
    const unit = unitSpec(1, [channel('holding', 0), channel('holding', 1)], { poll_s, timeout_s: 0.5 });
    const { poller, wire } = rtuPoller(
      [unit],
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
      this.counters,
      {
        reply: (_block, _read, slot) => {
          this.late_s.push(written_s - slot * poll_s);
          polled();
        },
        answering: () => undefined,
      },
    );
    this.#link = link;
  }

  open(): void {
    this.#link.open();
  }

  /** Lateness of the polls after the first `warmUp`, in ms, ascending; the least late of them defines 0. */
  sorted_ms(warmUp: number): number[] {
    const counted = this.late_s.slice(warmUp).sort((a, b) => a - b);
    return counted.map((late_s) => 1000 * (late_s - counted[0]!));
  }
}

/** Of ascending values. */
export function quantile(sorted: readonly number[], share: number): number {
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))]!;
}
