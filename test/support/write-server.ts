/** A small HTTP server that takes line protocol, or behaves as badly as a test wants. */
import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http';
import { createServer as createSecureServer } from 'node:https';
import type { AddressInfo, Socket } from 'node:net';
import { gunzipSync } from 'node:zlib';

export interface WriteRequest {
  readonly path: string;
  readonly headers: IncomingMessage['headers'];
  readonly lines: readonly string[];
}

/** Answers a request; the default takes everything. */
export type Behaviour = (request: WriteRequest, response: ServerResponse, socket: Socket) => void;

export const takesAll: Behaviour = (_request, response) => void response.writeHead(204).end();

export class WriteServer {
  readonly requests: WriteRequest[] = [];
  behaviour: Behaviour;
  readonly #server: Server;
  readonly #scheme: string;

  /** `tls`: PEM texts of a server that speaks https. */
  constructor(
    behaviour: Behaviour = takesAll,
    tls: { readonly key: string; readonly cert: string } | null = null,
  ) {
    this.behaviour = behaviour;
    this.#scheme = tls === null ? 'http' : 'https';
    const listener = (message: IncomingMessage, response: ServerResponse) => {
      const parts: Buffer[] = [];
      message.on('data', (part: Buffer) => parts.push(part));
      message.on('error', () => response.destroy());
      message.on('end', () => {
        const body = Buffer.concat(parts);
        const text = message.headers['content-encoding'] === 'gzip' ? gunzipSync(body) : body;
        const request = {
          path: message.url ?? '',
          headers: message.headers,
          lines: splitLines(text.toString()),
        };
        this.requests.push(request);
        this.behaviour(request, response, message.socket);
      });
    };
    this.#server = tls === null ? createServer(listener) : createSecureServer(tls, listener);
  }

  /** Lines of all requests that were answered, in order of arrival. */
  get lines(): readonly string[] {
    return this.requests.flatMap(({ lines }) => lines);
  }

  async listen(port = 0): Promise<string> {
    await new Promise<void>((resolve, reject) => {
      this.#server.once('error', reject);
      this.#server.listen(port, '127.0.0.1', resolve);
    });
    return `${this.#scheme}://127.0.0.1:${(this.#server.address() as AddressInfo).port}`;
  }

  async close(): Promise<void> {
    this.#server.closeAllConnections();
    await new Promise<void>((resolve) => this.#server.close(() => resolve()));
  }
}

/** A string field may hold a newline only as text, so every newline ends a line. */
function splitLines(text: string): string[] {
  return text.split('\n').filter((line) => line !== '');
}
