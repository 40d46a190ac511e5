/** One opened byte stream: a serial port or a TCP connection. Opening again after a loss is the business of `link.ts`. */
import { readSync, writeSync } from 'node:fs';
import { connect } from 'node:net';
import { SerialPort } from 'serialport';
import { type Clock, systemClock } from './clock.ts';
import type { LinkSpec } from './line-spec.ts';

export interface TransportEvents {
  /** `chunk` belongs to the transport and is overwritten afterwards: take out what you need before you return. */
  data(chunk: Uint8Array, time_s: number): void;
  /** The device went away or failed; called once, never after `close`. */
  lost(error: Error): void;
}

export interface Transport {
  /** Hands over as many bytes as the system takes now, and says how many. Throws when the device has gone. */
  write(bytes: Uint8Array): number;
  /** Delivers at once what the kernel already holds (serial only: a socket cannot be asked). */
  readPending(): void;
  /** Throws away what was received but not yet delivered (serial only). */
  discardInput(): void;
  close(): Promise<void>;
}

/** Opens a link once. Rejects with the system's error; `describeOpenError` of link.ts puts it into words. */
export type OpenTransport = (
  spec: LinkSpec,
  readEvery_s: number | null,
  events: TransportEvents,
) => Promise<Transport>;

/** What a driver stands on: time, and a way to its line. Tests and simulations bring their own. */
export interface Machine {
  readonly clock: Clock;
  readonly open: OpenTransport;
}

/** What is used of the serial binding. Its `list()` is not: it ends the process where `udevadm` is missing. */
interface SerialBinding {
  readonly fd: number | null;
  readonly poller: { once(event: 'readable', done: (error: Error | null) => void): unknown };
  set(options: { lowLatency: boolean }): Promise<void>;
  flush(): Promise<void>;
  close(): Promise<void>;
}

/** Larger than the 4 kB that the kernel keeps for a terminal. */
const readSize = 65536;

/** Bytes a socket may have queued before a write is refused. */
const socketBacklog = 65536;

/** How long a TCP connection may take to open, in ms. */
const connectTimeout_ms = 5000;

/** Silence after which a TCP connection is probed, in ms; the system's own default is two hours. */
const keepAliveDelay_ms = 10_000;

/** A read that would have had to wait. */
function wouldBlock(error: unknown): boolean {
  const { code } = error as NodeJS.ErrnoException;
  return code === 'EAGAIN' || code === 'EWOULDBLOCK' || code === 'EINTR';
}

/**
 * Opens the port with an exclusive lock and 8-bit raw bytes.
 * `readEvery_s` null: read whenever bytes arrive (each wake-up about 20 us); else look so often, which costs a
 * streaming line a fraction of the processor time.
 */
async function openSerial(
  spec: Extract<LinkSpec, { kind: 'serial' }>,
  readEvery_s: number | null,
  events: TransportEvents,
): Promise<Transport> {
  const port = (await SerialPort.binding.open({
    path: spec.path,
    baudRate: spec.baud,
    dataBits: spec.dataBits,
    parity: spec.parity,
    stopBits: spec.stopBits,
  })) as SerialBinding;
  const buffer = new Uint8Array(readSize);
  let isClosed = false;
  let timer: NodeJS.Timeout | null = null;

  const fail = (error: Error): void => {
    if (isClosed) return;
    isClosed = true;
    if (timer !== null) clearInterval(timer);
    events.lost(error);
  };
  /** Reads and writes go straight to the descriptor: the stream's thread pool would make the write instant unknown. */
  const read = (deliver: boolean): void => {
    while (!isClosed && port.fd !== null) {
      let length = 0;
      try {
        length = readSync(port.fd, buffer);
      } catch (error) {
        if (wouldBlock(error)) return;
        fail(error as Error);
        return;
      }
      if (length === 0) {
        fail(new Error('the device hung up'));
        return;
      }
      if (deliver) events.data(buffer.subarray(0, length), systemClock.monotonic_s());
      if (length < buffer.length) return;
    }
  };
  const listen = (): void => {
    port.poller.once('readable', (error) => {
      if (isClosed) return;
      if (error !== null) {
        fail(new Error('the device hung up', { cause: error }));
        return;
      }
      read(true);
      if (!isClosed) listen();
    });
  };

  try {
    await port.set({ lowLatency: true });
  } catch {
    // Counted by nobody: a pseudo-terminal and many adapters answer ENOTTY, and the line works without.
  }
  try {
    await port.flush();
  } catch (error) {
    // The device went meanwhile. Kept open, its descriptor and our lock on it would outlast it.
    await port.close();
    throw error;
  }
  if (readEvery_s === null) listen();
  else timer = setInterval(() => read(true), readEvery_s * 1000);

  return {
    write(bytes) {
      if (isClosed || port.fd === null) return 0;
      try {
        return writeSync(port.fd, bytes);
      } catch (error) {
        if (wouldBlock(error)) return 0;
        throw error;
      }
    },
    readPending: () => read(true),
    discardInput: () => read(false),
    async close() {
      isClosed = true;
      if (timer !== null) clearInterval(timer);
      if (port.fd === null) return;
      // Unsent bytes would make close() wait for a peer that may never read; a port that has gone cannot be flushed.
      await port.flush().catch(() => undefined);
      await port.close();
    },
  };
}

function openTcp(spec: Extract<LinkSpec, { kind: 'tcp' }>, events: TransportEvents): Promise<Transport> {
  return new Promise((resolve, reject) => {
    const socket = connect({
      host: spec.host,
      port: spec.port,
      noDelay: true,
      keepAlive: true,
      keepAliveInitialDelay: keepAliveDelay_ms,
    });
    let isOpen = false;
    let isClosed = false;
    const fail = (error: Error): void => {
      if (isClosed) return;
      isClosed = true;
      socket.destroy();
      if (isOpen) events.lost(error);
      else reject(error);
    };
    socket.setTimeout(connectTimeout_ms, () => {
      if (!isOpen) fail(new Error(`no answer within ${connectTimeout_ms / 1000} s`));
    });
    socket.on('error', fail);
    socket.on('close', () => fail(new Error('the other side closed the connection')));
    socket.on('data', (chunk: Uint8Array) => {
      if (!isClosed) events.data(chunk, systemClock.monotonic_s());
    });
    socket.on('connect', () => {
      isOpen = true;
      socket.setTimeout(0);
      resolve({
        write(bytes) {
          if (socket.writableLength > socketBacklog) return 0;
          socket.write(Uint8Array.from(bytes));
          return bytes.length;
        },
        readPending: () => undefined,
        discardInput: () => undefined,
        async close() {
          isClosed = true;
          socket.destroy();
        },
      });
    });
  });
}

export const openTransport: OpenTransport = (spec, readEvery_s, events) =>
  spec.kind === 'serial' ? openSerial(spec, readEvery_s, events) : openTcp(spec, events);

/** The ports and the clock of this machine. */
export const thisMachine: Machine = { clock: systemClock, open: openTransport };
