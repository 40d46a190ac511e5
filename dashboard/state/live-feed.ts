/** The one connection to the server: rig, status, frames and new events; comes back by itself. */
import type { EventRow, LiveMessage, RigView, StatusView } from '../../daemon/web/wire.ts';
import { fetchEvents, fetchRig } from './api.ts';
import { decodeFrame, FrameRing } from './ring.ts';
import { Store } from './store.ts';

export interface Connection {
  readonly state: 'connecting' | 'open' | 'lost';
  /** Wall time in ms at which it was lost. */
  readonly since_ms: number;
}

/** A status comes twice a second; this long without any message the socket is taken for dead, in ms. */
const silence_ms = 6_000;
const firstRetry_ms = 500;
const lastRetry_ms = 5_000;
/** 30 s of 50 ms periods and a little more. */
const frames = 640;
const pageSize = 50;

export class LiveFeed {
  readonly connection = new Store<Connection>({ state: 'connecting', since_ms: Date.now() });
  readonly rig = new Store<RigView | null>(null);
  readonly status = new Store<StatusView | null>(null);
  /** Newest first; null until first loaded. */
  readonly events = new Store<readonly EventRow[] | null>(null);
  /** True when the server said there are no older events. */
  readonly isComplete = new Store(false);
  /** Counts frames; the ring is read when it changes. */
  readonly frame = new Store(0);
  readonly ring = new FrameRing(frames);
  #retry_ms = firstRetry_ms;
  #heard_ms = 0;
  #socket: WebSocket | null = null;

  start(): void {
    this.#connect();
    setInterval(() => {
      if (this.#socket !== null && Date.now() - this.#heard_ms > silence_ms) this.#socket.close();
    }, 1000);
  }

  /** Loads the next page of older events. */
  async loadOlder(): Promise<void> {
    // The server pages by id; a kept window stands here at the time of its trip and may have a younger one.
    const oldest = (this.events.get() ?? []).map(({ id }) => id).sort()[0] ?? null;
    const older = await fetchEvents(oldest, pageSize);
    if (older.length < pageSize) this.isComplete.set(true);
    this.#merge(older);
  }

  #connect(): void {
    const scheme = location.protocol === 'https:' ? 'wss' : 'ws';
    const socket = new WebSocket(`${scheme}://${location.host}/api/live`);
    socket.binaryType = 'arraybuffer';
    this.#socket = socket;
    this.#heard_ms = Date.now();
    socket.onopen = () => {
      this.#retry_ms = firstRetry_ms;
      this.ring.clear();
      this.connection.set({ state: 'open', since_ms: Date.now() });
      void this.#refresh();
    };
    socket.onmessage = ({ data }: MessageEvent<string | ArrayBuffer>) => {
      this.#heard_ms = Date.now();
      if (typeof data === 'string') this.#message(JSON.parse(data) as LiveMessage);
      else this.#frame(data);
    };
    socket.onclose = () => {
      this.#socket = null;
      const { state, since_ms } = this.connection.get();
      this.connection.set({ state: 'lost', since_ms: state === 'open' ? Date.now() : since_ms });
      setTimeout(() => this.#connect(), this.#retry_ms);
      this.#retry_ms = Math.min(lastRetry_ms, this.#retry_ms * 2);
    };
  }

  /** What may have changed while nobody listened. A server that is still starting is asked again. */
  async #refresh(): Promise<void> {
    try {
      const [rig, events] = await Promise.all([fetchRig(), fetchEvents(null, pageSize)]);
      this.rig.set(rig);
      if (events.length < pageSize && this.events.get() === null) this.isComplete.set(true);
      this.#merge(events);
    } catch {
      if (this.connection.get().state === 'open') setTimeout(() => void this.#refresh(), lastRetry_ms / 5);
    }
  }

  #message(message: LiveMessage): void {
    if (message.kind === 'status') this.status.set(message.status);
    else if (message.kind === 'event') this.#merge([message.event]);
  }

  #frame(data: ArrayBuffer): void {
    const frame = decodeFrame(data);
    if (frame === null) return;
    this.ring.push(frame);
    this.frame.set(this.frame.get() + 1);
  }

  /** A row that is known already is replaced: a new revision of its verdict. */
  #merge(rows: readonly EventRow[]): void {
    const byId = new Map((this.events.get() ?? []).map((row) => [row.id, row]));
    for (const row of rows) byId.set(row.id, row);
    const isLink = ({ sameTripAs }: EventRow) => Number(sameTripAs !== undefined);
    this.events.set([...byId.values()].sort((a, b) => b.wall_ms - a.wall_ms || isLink(a) - isLink(b)));
  }
}
