/** Binds the address of the pages, and tries again for ever when it cannot be had: nothing else waits for it. */
import type { FastifyInstance } from 'fastify';
import type { Clock, ClockTimer } from '../../drivers/clock.ts';
import { UnavailableError } from '../errors.ts';
import { messageOf } from '../store/files.ts';

/** Waits between tries grow from the first to the last, in ms. */
const firstWait_ms = 250;
const lastWait_ms = 5_000;

export interface BindingOptions {
  readonly clock: Clock;
  readonly app: FastifyInstance;
  readonly host: string;
  /** 0 takes a free one. */
  readonly port: number;
  readonly onBound: (port: number) => void;
  /** It cannot be had for now, and why; called once for each new reason. */
  readonly onRefused: (why: string) => void;
}

export class Binding {
  #options: BindingOptions;
  #timer: ClockTimer | null = null;
  #wait_ms = firstWait_ms;
  #why = '';
  #isStopped = false;

  constructor(options: BindingOptions) {
    this.#options = options;
  }

  /** Resolves after the first try, however it ends. Rejects for errors that no other try would mend. */
  async start(): Promise<void> {
    const { app, host, port, onBound, onRefused } = this.#options;
    this.#timer = null;
    try {
      const bound = await listen(app, host, port);
      if (!this.#isStopped) onBound(bound);
    } catch (error) {
      if (this.#isStopped) return;
      if (!(error instanceof UnavailableError)) throw error;
      if (error.message !== this.#why) onRefused(error.message);
      this.#why = error.message;
      this.#timer = this.#options.clock.setTimeout(() => void this.start(), this.#wait_ms);
      this.#wait_ms = Math.min(lastWait_ms, 2 * this.#wait_ms);
    }
  }

  /** No further try. The server itself is closed by its owner. */
  stop(): void {
    this.#isStopped = true;
    this.#options.clock.clear(this.#timer);
  }
}

/**
 * Binds; returns the port (which differs from the wanted one only where that was 0).
 * Throws `UnavailableError` with the remedy when the address cannot be had.
 */
export async function listen(app: FastifyInstance, host: string, port: number): Promise<number> {
  try {
    await app.listen({ host, port });
  } catch (error) {
    const code = (error as NodeJS.ErrnoException).code;
    if (code === 'EADDRINUSE') {
      throw new UnavailableError(
        `Port ${port} on ${host} is in use. Stop the program that uses it, or choose another with --port.`,
        { cause: error },
      );
    }
    if (code === 'EACCES') {
      throw new UnavailableError(`Port ${port} needs special rights. Choose one above 1023 with --port.`, {
        cause: error,
      });
    }
    if (code === 'EADDRNOTAVAIL' || code === 'ENOTFOUND') {
      throw new UnavailableError(
        `${host} is not an address of this machine. Correct server.host; 127.0.0.1 always works.`,
        { cause: error },
      );
    }
    // Such as EAI_AGAIN while the network comes up: pages that cannot be served end nothing else.
    if (['listen', 'getaddrinfo'].includes((error as NodeJS.ErrnoException).syscall ?? '')) {
      throw new UnavailableError(`${host} cannot be served: ${messageOf(error)}. Check server.host.`, {
        cause: error,
      });
    }
    throw error;
  }
  const address = app.server.address();
  return typeof address === 'object' && address !== null ? address.port : port;
}
