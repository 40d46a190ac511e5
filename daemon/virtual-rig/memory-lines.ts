/**
 * Lines in memory between a rig and drivers of the same process, on their clock: the bytes are those of the real ports, which a
 * simulated clock cannot wait for. Bytes arrive in a timer of their own, as from a kernel, never inside the write.
 */
import type { Clock } from '../../drivers/clock.ts';
import type { Machine, OpenTransport, Transport, TransportEvents } from '../../drivers/transport.ts';
import { newPortCounters, type Port, type PortAddress } from './port.ts';

/** Unread bytes at which further ones are an overrun: what a pseudo-terminal holds, roughly. */
const backlog_bytes = 16_384;

/** Host of lines that are no serial port; it is no name of a real one. */
const host = 'memory.invalid';

export class MemoryLines {
  readonly machine: Machine;
  readonly #clock: Clock;
  readonly #ports = new Map<string, MemoryPort>();

  constructor(clock: Clock) {
    this.#clock = clock;
    const open: OpenTransport = async (spec, _readEvery_s, events) => {
      const name = spec.kind === 'serial' ? spec.path : nameOf(spec.port);
      const port = this.#ports.get(name);
      if (port === undefined || !port.isPlugged) throw new Error(`No such file or directory, open '${name}'`);
      return port.open(events);
    };
    this.machine = { clock, open };
  }

  /** For `RunRigOptions.makePort`. */
  readonly makePort = (path: string, isSerial: boolean): Port => {
    const number = this.#ports.size + 1;
    const address: PortAddress = isSerial ? { kind: 'serial', path } : { kind: 'tcp', host, port: number };
    const port = new MemoryPort(this.#clock, address);
    this.#ports.set(isSerial ? path : nameOf(number), port);
    return port;
  };
}

function nameOf(port: number): string {
  return `${host}:${port}`;
}

class MemoryPort implements Port {
  readonly address: PortAddress;
  readonly counters = newPortCounters();
  isPlugged = true;
  onOpen: () => void = () => undefined;
  onData: (bytes: Uint8Array) => void = () => undefined;
  readonly #clock: Clock;
  #reader: TransportEvents | null = null;
  /** Written and not read yet. */
  #unread: Uint8Array[] = [];
  #unread_bytes = 0;
  #isClosed = false;

  constructor(clock: Clock, address: PortAddress) {
    this.#clock = clock;
    this.address = address;
  }

  /** The far end: one reader at a time, the newest. */
  open(events: TransportEvents): Transport {
    this.#reader = events;
    this.#drop();
    this.onOpen();
    const isOurs = () => this.#reader === events;
    return {
      write: (bytes) => {
        if (!isOurs()) return 0;
        const sent = Uint8Array.from(bytes);
        this.#clock.setTimeout(() => {
          if (!isOurs()) return;
          this.counters.bytesReceived += sent.length;
          this.onData(sent);
        }, 0);
        return bytes.length;
      },
      readPending: () => {
        if (isOurs()) this.#deliver();
      },
      discardInput: () => {
        if (isOurs()) this.#drop();
      },
      close: async () => {
        if (isOurs()) this.#reader = null;
      },
    };
  }

  write(bytes: Uint8Array): number {
    if (this.#reader === null || this.#unread_bytes + bytes.length > backlog_bytes) {
      this.counters.bytesOverrun += bytes.length;
      return 0;
    }
    this.#unread.push(Uint8Array.from(bytes));
    this.#unread_bytes += bytes.length;
    this.counters.bytesSent += bytes.length;
    this.#clock.setTimeout(() => this.#deliver(), 0);
    return bytes.length;
  }

  unplug(): void {
    if (!this.isPlugged) return;
    this.isPlugged = false;
    const reader = this.#reader;
    this.#reader = null;
    this.#drop();
    reader?.lost(new Error('the device hung up'));
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new Error(`${JSON.stringify(this.address)}: replug after close`);
    this.isPlugged = true;
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    this.unplug();
  }

  #deliver(): void {
    const unread = this.#unread;
    this.#drop();
    for (const bytes of unread) this.#reader?.data(bytes, this.#clock.monotonic_s());
  }

  #drop(): void {
    this.#unread = [];
    this.#unread_bytes = 0;
  }
}
