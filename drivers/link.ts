/**
 * A byte link that never gives up: one serial port (by its stable name) or TCP connection, opened again for ever.
 *
 *   const link = new Link(spec, counters, { data(chunk, time_s) {...}, state(state) {...} });
 *   link.open();                        // returns at once; states arrive through `state`
 *   const end_s = link.write(bytes);    // instant at which the last bit leaves the wire; null = not sent, counted
 *   await link.close();                 // port released, nothing is called afterwards
 *
 * Counters it fills: `linksOpened`, `linksLost`, `openErrorsSeen`, `bytesReceived`, `bytesSent`, `writesLost`.
 */
import { type FSWatcher, watch } from 'node:fs';
import { basename, dirname } from 'node:path';
import { characterTime_s } from './character-time.ts';
import type { Clock, ClockTimer } from './clock.ts';
import type { Counters, LinkState } from './driver.ts';
import type { LinkSpec } from './line-spec.ts';
import { type Machine, type OpenTransport, type Transport, thisMachine } from './transport.ts';

export interface LinkEvents {
  /** `chunk` is the link's own buffer: valid until the call returns. `time_s`: monotonic instant of arrival. */
  data(chunk: Uint8Array, time_s: number): void;
  /** Every change of the link's state, among them `open` and `stopped`, and of the instant of the next try. */
  state(state: LinkState): void;
}

export interface LinkOptions {
  /** Null: read as bytes arrive. Else look at a serial port so often, in s: far cheaper for a stream. */
  readonly readEvery_s?: number | null;
  /** Where the line is and whose time it is; default: this machine. */
  readonly machine?: Machine;
}

/** Shortest and longest wait between two attempts to open, in s; each wait is drawn from half to all of the back-off. */
const backOff_s = { shortest: 0.25, longest: 10 } as const;

/** A TCP connection that brings nothing usable for so long is opened anew by its driver, in s: the far end may have forgotten it. */
export const staleConnection_s = 30;

/** Least time between two attempts when the folder keeps changing, in s. */
const hurry_s = 0.1;

/** What a failed attempt to open means, in the words of `LinkState`. */
export function describeOpenError(spec: LinkSpec, error: Error): Pick<LinkState, 'state' | 'why'> {
  const text = error.message;
  if (spec.kind === 'tcp') {
    return {
      state: 'absent',
      why: `${spec.host} port ${spec.port} does not answer (${text}): check that the device is on and the cable is in.`,
    };
  }
  const { path } = spec;
  if (/no such (file|device)|input\/output error/i.test(text)) {
    return {
      state: 'absent',
      why: `${path} is not there: plug the adapter in, or correct the path (see /dev/serial/by-id).`,
    };
  }
  if (/cannot lock|temporarily unavailable|resource busy/i.test(text)) {
    return { state: 'busy', why: `${path} is locked by another program: end that program.` };
  }
  if (/permission denied|not permitted/i.test(text)) {
    return {
      state: 'denied',
      why: `${path} may not be opened by this user: add the user to the group that owns it (often dialout).`,
    };
  }
  return { state: 'reconnecting', why: `${path} cannot be opened (${text}).` };
}

export class Link {
  readonly spec: LinkSpec;
  /** Time of one character on the wire in s; 0 for TCP. */
  readonly characterTime_s: number;
  readonly #counters: Counters;
  readonly #events: LinkEvents;
  readonly #readEvery_s: number | null;
  readonly #clock: Clock;
  readonly #openTransport: OpenTransport;
  #transport: Transport | null = null;
  /** Attempt to open that is under way; awaited by `close`. */
  #attempt: Promise<void> | null = null;
  #attempt_s = Number.NEGATIVE_INFINITY;
  #backOff_s: number = backOff_s.shortest;
  #timer: ClockTimer | null = null;
  #watcher: FSWatcher | null = null;
  #releasing: Promise<void> = Promise.resolve();
  #state: LinkState['state'] | null = null;
  #why = '';
  #since_s = 0;
  #isStopped = false;
  /** End of the last transmission by the arithmetic of the baud rate. */
  #sent_s = 0;

  constructor(spec: LinkSpec, counters: Counters, events: LinkEvents, options: LinkOptions = {}) {
    this.spec = spec;
    this.characterTime_s = characterTime_s(spec);
    this.#counters = counters;
    this.#events = events;
    this.#readEvery_s = options.readEvery_s ?? null;
    const { clock, open } = options.machine ?? thisMachine;
    this.#clock = clock;
    this.#openTransport = open;
    for (const name of [
      'linksOpened',
      'linksLost',
      'openErrorsSeen',
      'bytesReceived',
      'bytesSent',
      'writesLost',
    ]) {
      counters[name] ??= 0;
    }
  }

  get isOpen(): boolean {
    return this.#transport !== null;
  }

  /** Starts to open, and keeps at it until `close`. */
  open(): void {
    this.#setState('opening', '');
    this.#tryOpen();
  }

  /**
   * Sends all of `bytes` now and returns the instant at which the last bit will have left the wire (monotonic, s).
   * Null when they were not, or not wholly, sent: counted in `writesLost`. Never queues.
   */
  write(bytes: Uint8Array): number | null {
    let accepted = 0;
    try {
      accepted = this.#transport?.write(bytes) ?? 0;
    } catch (error) {
      this.#lost(error as Error);
    }
    const now_s = this.#clock.monotonic_s();
    this.#counters['bytesSent']! += accepted;
    this.#sent_s = Math.max(this.#sent_s, now_s) + accepted * this.characterTime_s;
    if (accepted === bytes.length) return this.#sent_s;
    this.#counters['writesLost']! += 1;
    return null;
  }

  /** Delivers at once what has arrived but was not read yet. TCP: no-op, a socket cannot be asked. */
  readPending(): void {
    this.#transport?.readPending();
  }

  /** Closes and opens again after the back-off: for a driver that finds the line useless. */
  reopen(why: string): void {
    if (this.#transport !== null) this.#lost(new Error(why));
  }

  /** Resolves when the port is released. Nothing is called afterwards. */
  async close(): Promise<void> {
    if (this.#isStopped) return;
    this.#isStopped = true;
    this.#stopWaiting();
    await this.#attempt;
    const transport = this.#transport;
    this.#transport = null;
    await transport?.close();
    await this.#releasing;
    this.#emit('stopped', '');
  }

  #tryOpen(): void {
    this.#stopWaiting();
    if (this.#attempt !== null) return;
    this.#attempt = this.#openOnce().finally(() => {
      this.#attempt = null;
    });
  }

  async #openOnce(): Promise<void> {
    // The lock of the old descriptor must be gone, or we would find the port busy with ourselves.
    await this.#releasing;
    if (this.#isStopped) return;
    this.#attempt_s = this.#clock.monotonic_s();
    let isLostEarly: Error | null = null;
    let transport: Transport | null = null;
    try {
      transport = await this.#openTransport(this.spec, this.#readEvery_s, {
        data: (chunk, time_s) => {
          if (this.#isStopped) return;
          this.#counters['bytesReceived']! += chunk.length;
          this.#events.data(chunk, time_s);
        },
        lost: (error) => {
          if (transport === null || this.#transport !== transport) isLostEarly = error;
          else this.#lost(error);
        },
      });
    } catch (error) {
      this.#counters['openErrorsSeen']! += 1;
      const described = describeOpenError(this.spec, error as Error);
      if (this.#isStopped) return;
      this.#wait(described.state, described.why);
      return;
    }
    this.#transport = transport;
    if (this.#isStopped) return;
    this.#counters['linksOpened']! += 1;
    this.#setState('open', '');
    if (isLostEarly !== null) this.#lost(isLostEarly);
  }

  #lost(error: Error): void {
    const transport = this.#transport;
    if (transport === null || this.#isStopped) return;
    this.#transport = null;
    this.#counters['linksLost']! += 1;
    this.#releasing = transport.close().catch(() => {
      this.#counters['openErrorsSeen']! += 1;
    });
    // A line that stood for a while earns a quick retry; one that falls at once keeps its longer back-off.
    if (this.#clock.monotonic_s() - this.#attempt_s > backOff_s.longest) this.#backOff_s = backOff_s.shortest;
    this.#wait('reconnecting', `The line was lost (${error.message}): check the plug and the supply.`);
  }

  /** Waits in this state for the back-off to pass, or for the device's name to appear in its folder. */
  #wait(state: LinkState['state'], why: string): void {
    this.#stopWaiting();
    const wait_s = this.#backOff_s * (0.5 + 0.5 * Math.random());
    this.#backOff_s = Math.min(this.#backOff_s * 2, backOff_s.longest);
    this.#timer = this.#clock.setTimeout(() => this.#tryOpen(), wait_s * 1000);
    if (this.spec.kind === 'serial') this.#watch(this.spec.path);
    this.#emit(state, why, this.#clock.monotonic_s() + wait_s);
  }

  /** Watches the nearest folder that exists: `/dev/serial/by-id` itself goes when its last adapter is unplugged. */
  #watch(path: string): void {
    const folder = dirname(path);
    const name = basename(path);
    try {
      this.#watcher = watch(folder, (_event, changed) => {
        if (changed === name) this.#hurry();
      });
      this.#watcher.on('error', () => this.#watcher?.close());
    } catch {
      if (folder !== path) this.#watch(folder);
    }
  }

  #hurry(): void {
    const due_s = this.#attempt_s + hurry_s - this.#clock.monotonic_s();
    this.#clock.clear(this.#timer);
    this.#backOff_s = backOff_s.shortest;
    this.#timer = this.#clock.setTimeout(() => this.#tryOpen(), Math.max(0, due_s * 1000));
  }

  #stopWaiting(): void {
    this.#clock.clear(this.#timer);
    this.#timer = null;
    this.#watcher?.close();
    this.#watcher = null;
  }

  #setState(state: LinkState['state'], why: string): void {
    if (this.#isStopped || (state === this.#state && why === this.#why)) return;
    this.#emit(state, why);
  }

  /** A state that only gets another `nextTry_s` keeps its `since_s`. */
  #emit(state: LinkState['state'], why: string, nextTry_s?: number): void {
    if (state !== this.#state) this.#since_s = this.#clock.monotonic_s();
    this.#state = state;
    this.#why = why;
    this.#events.state({
      state,
      since_s: this.#since_s,
      why,
      ...(nextTry_s === undefined ? {} : { nextTry_s }),
    });
  }
}
