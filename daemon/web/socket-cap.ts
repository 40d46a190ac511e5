/**
 * How many connections and viewers the server takes. Each is a descriptor, and without a descriptor the store can open no
 * folder: some are kept free for it.
 */
import { readdirSync, readFileSync } from 'node:fs';
import type { Server } from 'node:http';
import type { Socket } from 'node:net';
import type { LiveHub } from './live.ts';

/** Descriptors that connections leave to the store, the disk ring and what is published. */
const kept = 40;
/** More than any rig has people; a viewer costs some 30 kB. */
const mostSockets = 1000;
const fewestSockets = 8;
/** Of all sockets, the share that viewers may hold: the API must stay reachable. */
const viewerShare = 0.75;
/** Connections beyond the cap that are taken for a moment, so that they get an answer. */
const surplus = 8;

export interface Descriptors {
  readonly limit: number;
  readonly used: number;
}

/** What this process may have open, and has open now. */
export function descriptors(): Descriptors {
  try {
    const limit = /^Max open files\s+(\d+)/m.exec(readFileSync('/proc/self/limits', 'utf8'))?.[1];
    return { limit: Number(limit ?? Infinity), used: readdirSync('/proc/self/fd').length };
  } catch {
    // Not Linux: nothing is known, the cap is the usual one.
    return { limit: Number.POSITIVE_INFINITY, used: 0 };
  }
}

export class SocketCap {
  readonly sockets: number;
  readonly viewers: number;
  readonly #open = new Set<Socket>();
  readonly #surplus = new WeakSet<Socket>();
  readonly #hub: LiveHub;

  /** What is refused is counted in the counters of `hub`. */
  constructor({ limit, used }: Descriptors, hub: LiveHub) {
    const free = limit - used - kept - surplus;
    this.sockets = Math.max(fewestSockets, Math.min(mostSockets, free));
    this.viewers = Math.floor(this.sockets * viewerShare);
    this.#hub = hub;
  }

  /** Counts the connections of a server that does not listen yet. */
  watch(server: Server): void {
    server.maxConnections = this.sockets + surplus;
    server.on('drop', () => {
      this.#hub.counters.connectionsRefused++;
      server.closeIdleConnections();
    });
    server.on('connection', (socket: Socket) => {
      if (this.#open.size >= this.sockets) {
        this.#surplus.add(socket);
        server.closeIdleConnections();
      }
      this.#open.add(socket);
      socket.once('close', () => this.#open.delete(socket));
    });
  }

  /** Why a request on this connection is not served, or this viewer not taken; null when it is. */
  refusal(socket: Socket, isViewer: boolean): string | null {
    if (this.#surplus.has(socket)) {
      this.#hub.counters.connectionsRefused++;
      return `All ${this.sockets} connections of this server are in use; close a page, or try again in a moment.`;
    }
    if (isViewer && this.#hub.viewers >= this.viewers) {
      this.#hub.counters.viewersRefused++;
      return `All ${this.viewers} places of live viewers are taken; close a page that shows live data.`;
    }
    return null;
  }
}
