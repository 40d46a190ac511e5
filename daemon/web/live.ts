/** The live lane to the browsers: lossy, counted, and never able to hold up the server. */
import type { Summary } from '../recorder/messages.ts';
import { encodeSummary } from './views.ts';
import type { LiveMessage } from './wire.ts';

/** The part of a WebSocket that is needed; tests use a made-up one. */
export interface LiveSocket {
  readonly bufferedAmount: number;
  send(data: string | Uint8Array): void;
  close(code: number, reason: string): void;
}

/** A viewer with more than this waiting gets no further live frame until it has caught up, in bytes. */
export const skipOver_bytes = 256 * 1024;
/** A viewer with more than this waiting is closed: it must start afresh, in bytes. */
export const closeOver_bytes = 4 * 1024 * 1024;
/** History that a new viewer gets at once, so that its charts are not empty, in s and in bytes. */
const history_s = 30;
const history_bytes = 192 * 1024;
/** RFC 6455 / IANA registry: try again later. */
const closeTryAgainLater = 1013;

interface Viewer {
  readonly socket: LiveSocket;
  framesSkipped: number;
}

/** All viewers of one server. */
export class LiveHub {
  /** `framesSkipped` and `viewersClosed` are what was lost on this lane; `...Refused` did not come in at all. */
  readonly counters = {
    viewersOpened: 0,
    viewersClosed: 0,
    viewersRefused: 0,
    connectionsRefused: 0,
    framesSent: 0,
    framesSkipped: 0,
  };
  #viewers = new Map<LiveSocket, Viewer>();
  #history: { readonly time_s: number; readonly frame: Uint8Array }[] = [];
  #historySize_bytes = 0;

  get viewers(): number {
    return this.#viewers.size;
  }

  /** Greets a new viewer with the last seconds, then keeps it informed until `remove`. */
  add(socket: LiveSocket, greetings: readonly LiveMessage[]): void {
    this.counters.viewersOpened++;
    this.#viewers.set(socket, { socket, framesSkipped: 0 });
    for (const greeting of greetings) socket.send(JSON.stringify(greeting));
    for (const { frame } of this.#history) socket.send(frame);
  }

  remove(socket: LiveSocket): void {
    this.#viewers.delete(socket);
  }

  /** Frames that one viewer missed because it read too slowly. */
  framesSkippedFor(socket: LiveSocket): number {
    return this.#viewers.get(socket)?.framesSkipped ?? 0;
  }

  /** Forgets the history: another recorder has begun, its channels and clock are not comparable. */
  clearHistory(): void {
    this.#history = [];
    this.#historySize_bytes = 0;
  }

  summary(summary: Summary): void {
    const frame = encodeSummary(summary);
    this.#remember(summary.time_s, frame);
    for (const viewer of this.#viewers.values()) this.#sendDroppable(viewer, frame, frame.byteLength);
  }

  /** A state is replaced by the next one, so a slow viewer may miss it; trips and events are never left out. */
  message(message: LiveMessage): void {
    const text = JSON.stringify(message);
    for (const viewer of this.#viewers.values()) {
      if (message.kind === 'status') this.#sendDroppable(viewer, text, text.length);
      else if (!this.#closeIfHopeless(viewer)) viewer.socket.send(text);
    }
  }

  closeAll(reason: string): void {
    for (const { socket } of this.#viewers.values()) socket.close(1001, reason);
    this.#viewers.clear();
  }

  #sendDroppable(viewer: Viewer, data: string | Uint8Array, size_bytes: number): void {
    if (this.#closeIfHopeless(viewer)) return;
    if (viewer.socket.bufferedAmount + size_bytes > skipOver_bytes) {
      viewer.framesSkipped++;
      this.counters.framesSkipped++;
      return;
    }
    viewer.socket.send(data);
    this.counters.framesSent++;
  }

  #closeIfHopeless(viewer: Viewer): boolean {
    if (viewer.socket.bufferedAmount <= closeOver_bytes) return false;
    this.#viewers.delete(viewer.socket);
    this.counters.viewersClosed++;
    viewer.socket.close(closeTryAgainLater, 'reads too slowly');
    return true;
  }

  #remember(time_s: number, frame: Uint8Array): void {
    this.#history.push({ time_s, frame });
    this.#historySize_bytes += frame.byteLength;
    while (this.#history.length > 1) {
      const oldest = this.#history[0]!;
      if (time_s - oldest.time_s <= history_s && this.#historySize_bytes <= history_bytes) break;
      this.#history.shift();
      this.#historySize_bytes -= oldest.frame.byteLength;
    }
  }
}
