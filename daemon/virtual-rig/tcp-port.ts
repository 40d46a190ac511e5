/** The same bytes over TCP, for machines without pseudo-terminals. One client at a time, as serial device servers do it. */
import { createServer, type Server, type Socket } from 'node:net';
import { newPortCounters, type Port, type PortAddress } from './port.ts';

/** Unsent bytes at which further ones are an overrun: what a pseudo-terminal holds, roughly. */
const backlog_bytes = 16_384;

export class TcpPort implements Port {
  readonly counters = newPortCounters();
  onOpen: () => void = () => undefined;
  onData: (bytes: Uint8Array) => void = () => undefined;
  readonly #host: string;
  #port: number;
  #server: Server | null = null;
  #client: Socket | null = null;
  #isClosed = false;

  private constructor(host: string, port: number) {
    this.#host = host;
    this.#port = port;
  }

  /** Listens; port 0 takes a free one, which `replug` keeps. */
  static async open(host = '127.0.0.1', port = 0): Promise<TcpPort> {
    const opened = new TcpPort(host, port);
    await opened.replug();
    return opened;
  }

  get address(): PortAddress {
    return { kind: 'tcp', host: this.#host, port: this.#port };
  }

  get isPlugged(): boolean {
    return this.#server !== null;
  }

  write(bytes: Uint8Array): number {
    const client = this.#client;
    if (client === null || client.writableLength > backlog_bytes) {
      this.counters.bytesOverrun += bytes.length;
      return 0;
    }
    // The socket may keep the bytes for later, and the caller reuses its buffer.
    client.write(Uint8Array.from(bytes));
    this.counters.bytesSent += bytes.length;
    return bytes.length;
  }

  unplug(): void {
    this.#client?.destroy();
    this.#client = null;
    this.#server?.close();
    this.#server = null;
  }

  async replug(): Promise<void> {
    if (this.#isClosed) throw new Error(`port ${this.#port}: replug after close`);
    if (this.#server !== null) return;
    const server = createServer({ noDelay: true }, (socket) => this.#serve(socket));
    this.#server = server;
    await new Promise<void>((done, fail) => {
      server.once('error', fail);
      server.listen(this.#port, this.#host, () => {
        server.off('error', fail);
        done();
      });
    });
    server.on('error', () => {
      this.counters.errorsSeen++;
    });
    const address = server.address();
    if (address !== null && typeof address === 'object') this.#port = address.port;
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    const server = this.#server;
    const closed =
      server === null ? Promise.resolve() : new Promise<void>((done) => server.once('close', () => done()));
    this.unplug();
    await closed;
  }

  /** The newest client wins: after a crash the old connection may stand for minutes. */
  #serve(socket: Socket): void {
    this.#client?.destroy();
    this.#client = socket;
    this.onOpen();
    socket.on('data', (bytes: Uint8Array) => {
      this.counters.bytesReceived += bytes.length;
      this.onData(bytes);
    });
    socket.on('error', () => {
      this.counters.errorsSeen++;
    });
    socket.on('close', () => {
      if (this.#client === socket) this.#client = null;
    });
  }
}
