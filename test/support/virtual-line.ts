/** A serial line and its clock in simulated time: hours of polling in a second, and every run the same. */
import type { ModbusUnitSpec } from '../../drivers/line-spec.ts';
import { Poller, type PollerEvents } from '../../drivers/modbus/poller.ts';
import type { PreciseClock } from '../../drivers/modbus/precise-wait.ts';
import { RtuWire } from '../../drivers/modbus/rtu-wire.ts';
import { unitsOf } from '../../drivers/modbus/unit-health.ts';
import type { WireLine } from '../../drivers/modbus/wire.ts';

interface Entry {
  readonly at_s: number;
  readonly order: number;
  readonly call: () => void;
}

/** Runs what is due in order of time; between two steps all promises that can settle do. */
export class VirtualClock implements PreciseClock {
  #now_s = 0;
  #order = 0;
  #due: Entry[] = [];

  now_s(): number {
    return this.#now_s;
  }

  until(instant_s: number): Promise<void> {
    if (instant_s <= this.#now_s) return Promise.resolve();
    return new Promise((resolve) => this.at(instant_s, resolve));
  }

  near(instant_s: number): Promise<void> {
    return this.until(instant_s);
  }

  at(instant_s: number, call: () => void): () => void {
    const entry = { at_s: Math.max(instant_s, this.#now_s), order: this.#order++, call };
    this.#due.push(entry);
    return () => {
      this.#due = this.#due.filter((other) => other !== entry);
    };
  }

  /** Steps until `end_s`, or until nothing is due. */
  async runUntil(end_s: number): Promise<void> {
    for (;;) {
      for (let i = 0; i < 12; i++) await Promise.resolve();
      let next: Entry | null = null;
      for (const entry of this.#due) {
        const isEarlier =
          next === null || entry.at_s < next.at_s || (entry.at_s === next.at_s && entry.order < next.order);
        if (isEarlier) next = entry;
      }
      if (next === null || next.at_s > end_s) break;
      this.#due = this.#due.filter((other) => other !== next);
      this.#now_s = next.at_s;
      next.call();
    }
    this.#now_s = end_s;
  }
}

/** What the far end sends back for one request: bytes, and how long after the request's end they begin. Null: nothing. */
export type Answering = (request: Uint8Array, end_s: number) => { bytes: Uint8Array; delay_s: number } | null;

/** A paced line to one device that answers in order. `receive` is given what arrives, byte times kept. */
export class VirtualLine implements WireLine {
  isOpen = true;
  readonly characterTime_s: number;
  readonly #clock: VirtualClock;
  readonly #answering: Answering;
  #wire_s = 0;
  receive: (chunk: Uint8Array, time_s: number) => void = () => undefined;

  constructor(clock: VirtualClock, characterTime_s: number, answering: Answering) {
    this.#clock = clock;
    this.characterTime_s = characterTime_s;
    this.#answering = answering;
  }

  write(bytes: Uint8Array): number {
    const end_s = this.#clock.now_s() + bytes.length * this.characterTime_s;
    const answer = this.#answering(bytes, end_s);
    if (answer !== null) this.send(answer.bytes, end_s + answer.delay_s);
    return end_s;
  }

  /** Sends from the far end, after all it has sent before. */
  send(bytes: Uint8Array, from_s: number): void {
    const start_s = Math.max(from_s, this.#wire_s);
    this.#wire_s = start_s + bytes.length * this.characterTime_s;
    const time_s = this.#wire_s;
    this.#clock.at(time_s, () => this.receive(bytes, time_s));
  }

  /** When everything sent so far from the far end has arrived. */
  get wire_s(): number {
    return this.#wire_s;
  }

  readPending(): void {
    // All that has arrived was handed over.
  }
}

/** A poller over RTU on `line`, as the driver makes it. What arrives goes to `wire.receive`. */
export function rtuPoller(
  specs: readonly ModbusUnitSpec[],
  line: WireLine,
  silence_s: number,
  clock: PreciseClock,
  counters: Record<string, number>,
  events: PollerEvents,
): { poller: Poller; wire: RtuWire } {
  const units = unitsOf(specs, true);
  const unitOf = (address: number) => units.find(({ unit }) => unit === address);
  const wire = new RtuWire(line, silence_s, 'none', clock, counters, unitOf);
  return { poller: new Poller(units, line, wire, clock, counters, events), wire };
}

/** Lets `poller` run until `end_s` of the clock, and stops it. */
export async function runPoller(poller: Poller, clock: VirtualClock, end_s: number): Promise<void> {
  poller.start();
  await clock.runUntil(end_s);
  const stopped = poller.stop();
  await clock.runUntil(end_s + 1);
  await stopped;
}
