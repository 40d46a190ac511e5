/** Drives one sink: reads its queue, delivers, backs off, tries again for ever. One task a sink, so that none waits for another. */

import { messageOf } from '../store/files.ts';
import { withoutPaths } from '../without-paths.ts';
import type { Message } from './messages.ts';
import type { LaneName } from './outbox-lanes.ts';
import type { SinkQueue } from './outbox-types.ts';
import type { Delivery, Sink, SinkClock, SinkStart } from './sink.ts';
import type { SinkView } from './sink-view.ts';

/** Time as a task needs it; tests bring their own. */
export interface TaskClock extends SinkClock {
  /** Resolves after `time_s`, or at once when `signal` is aborted. Never rejects. */
  sleep(time_s: number, signal: AbortSignal): Promise<void>;
}

export interface TaskOptions {
  readonly name: string;
  readonly kind: string;
  readonly sink: Sink;
  readonly queue: SinkQueue;
  /** The newest message that was queued at least so long ago. */
  readonly agedSeq: (age_s: number) => number;
  readonly backlogRate_Hz: number;
  readonly clock: TaskClock;
  /** 0 to 1. */
  readonly random: () => number;
}

/** A message that is older has waited: it no longer overtakes the backlog. In s. */
const freshFor_s = 10;
/** Waits after a failure grow from the first to the last, in s; each is shortened by up to half, so that stations spread. */
const firstWait_s = 1;
const lastWait_s = 30;
/** A receiver may ask for a longer rest, up to this, in s. */
const longestRest_s = 300;
/** A delivery that takes longer is aborted, in s. */
const delivery_s = 30;
/** What is left of a delivery after the abort, and of a goodbye, is waited for so long, in s. */
const grace_s = 2;
/** A batch of the backlog is sized to take about so long: fresh messages wait for its end. In s. */
const batch_s = 0.5;
const mostMessages = 500;
/** Smaller ones would not catch up with a receiver that is far away and answers each in a second. */
const leastMessages = 20;
const mostBatch_bytes = 1_000_000;
/** A message that makes the sink itself fail so often is given up. */
const mostFailures = 3;

export class SinkTask {
  /** `deliveriesFailed`: not taken by the receiver; `deliveriesBroken`: the sink itself failed, which is a bug. */
  readonly counters = { deliveriesSettled: 0, deliveriesFailed: 0, deliveriesBroken: 0 };
  /** Why the queue on the disk could not be read for the last `view`; null when it could. */
  queueFault: string | null = null;
  readonly #options: TaskOptions;
  readonly #stopping = new AbortController();
  #state: SinkView['state'] = 'connecting';
  #since_ms: number;
  #why = '';
  #failures = 0;
  /** Nothing is tried before; monotonic s. */
  #next_s = Number.NEGATIVE_INFINITY;
  #backlogDue_s = Number.NEGATIVE_INFINITY;
  #size = 50;
  #broken = { seq: 0, times: 0 };
  #woken: AbortController = new AbortController();
  #underWay: AbortController | null = null;
  #running: Promise<void> = Promise.resolve();

  constructor(options: TaskOptions) {
    this.#options = options;
    this.#since_ms = options.clock.wallNow_ms();
  }

  start(start: Omit<SinkStart, 'wake'>): void {
    this.#options.sink.start({
      ...start,
      wake: () => {
        this.#next_s = Number.NEGATIVE_INFINITY;
        this.notify();
      },
    });
    this.#running = this.#run();
  }

  /** Something was queued. */
  notify(): void {
    this.#woken.abort();
  }

  /** Waits for what is under way, not for what still waits; that comes after the next start. */
  async stop(): Promise<void> {
    this.#stopping.abort();
    this.#underWay?.abort();
    this.notify();
    await within(this.#running, grace_s);
    await within(this.#options.sink.stop(), grace_s);
    this.#enter('stopped', '');
  }

  /** Without the age of what waits when the disk refuses to be read; `queueFault` says why. */
  view(): SinkView {
    const { name, kind, sink, queue, clock } = this.#options;
    const wait_s = this.#next_s - clock.now_s();
    return {
      name,
      kind,
      address: sink.address,
      state: this.#state,
      since_ms: this.#since_ms,
      why: this.#why,
      nextTry_ms: this.#state === 'down' && wait_s > 0 ? clock.wallNow_ms() + wait_s * 1000 : null,
      waiting: queue.waiting,
      oldest_ms: this.#oldest_ms(),
      counters: { ...queue.counters, ...this.counters, ...sink.counters },
    };
  }

  #oldest_ms(): number | null {
    this.queueFault = null;
    try {
      return this.#options.queue.oldest_ms;
    } catch (error) {
      this.queueFault = messageOf(error);
      return null;
    }
  }

  async #run(): Promise<void> {
    const { clock } = this.#options;
    while (!this.#stopping.signal.aborted) {
      this.#woken = new AbortController();
      let wait_s: number;
      try {
        wait_s = await this.#turn();
      } catch (error) {
        // The disk refused the queue: as with a receiver that is away, later.
        wait_s = this.#fail(`the outbox: ${messageOf(error)}`, null);
      }
      if (wait_s > 0) await clock.sleep(wait_s, this.#woken.signal);
    }
  }

  /** Delivers one batch at most; returns how long there is nothing to do, in s. */
  async #turn(): Promise<number> {
    const { agedSeq, backlogRate_Hz, clock, queue } = this.#options;
    const now_s = clock.now_s();
    if (now_s < this.#next_s) return this.#next_s - now_s;
    queue.age(agedSeq(freshFor_s));
    const fresh = queue.read('fresh', this.#size, mostBatch_bytes);
    if (fresh.length > 0) {
      await this.#send('fresh', fresh);
      return 0;
    }
    if (now_s < this.#backlogDue_s) return this.#backlogDue_s - now_s;
    const limit = Math.max(1, Math.min(this.#size, Math.ceil(backlogRate_Hz * batch_s)));
    const backlog = queue.read('backlog', limit, mostBatch_bytes);
    if (backlog.length === 0) return Number.POSITIVE_INFINITY;
    const settled = await this.#send('backlog', backlog);
    this.#backlogDue_s = now_s + settled / backlogRate_Hz;
    return 0;
  }

  /** Returns how many messages are done with. */
  async #send(lane: LaneName, messages: readonly Message[]): Promise<number> {
    const { clock, queue } = this.#options;
    const before_s = clock.now_s();
    const { settled, rejected, unavailable } = await this.#deliver(lane, messages);
    const last = messages[settled - 1];
    if (last !== undefined) {
      const lost = new Set(rejected.map(({ seq }) => seq)).size;
      queue.settle(lane, last.seq, settled - lost, rejected);
      this.#failures = 0;
    }
    if (unavailable === null) {
      this.counters.deliveriesSettled++;
      this.#enter('up', '');
      this.#resize(clock.now_s() - before_s, messages.length);
    } else this.#fail(unavailable.why, unavailable.retryAfter_s);
    return settled;
  }

  async #deliver(lane: LaneName, messages: readonly Message[]): Promise<Delivery> {
    const { sink } = this.#options;
    // Not AbortSignal.timeout: its timer would hold every batch of the last half minute in memory.
    const under = new AbortController();
    const timer = setTimeout(() => under.abort(), delivery_s * 1000);
    this.#underWay = under;
    if (this.#stopping.signal.aborted) under.abort();
    try {
      const delivery = await sink.deliver({ messages, isHistorical: lane === 'backlog' }, under.signal);
      this.#broken = { seq: 0, times: 0 };
      return delivery;
    } catch (error) {
      return this.#breakage(messages, error);
    } finally {
      clearTimeout(timer);
      this.#underWay = null;
    }
  }

  /** The sink itself failed: message by message from here on, until the one that it fails at is known and given up. */
  #breakage(messages: readonly Message[], error: unknown): Delivery {
    this.counters.deliveriesBroken++;
    this.#size = 1;
    const [{ seq }] = messages as [Message];
    const times = this.#broken.seq === seq && messages.length === 1 ? this.#broken.times + 1 : 1;
    this.#broken = { seq, times };
    const why = withoutPaths(`cannot be sent: ${messageOf(error)}`);
    if (times < mostFailures) return { settled: 0, rejected: [], unavailable: { why, retryAfter_s: null } };
    return { settled: 1, rejected: [{ seq, why, sent: '' }], unavailable: null };
  }

  /** Returns the wait that begins now, in s. */
  #fail(why: string, retryAfter_s: number | null): number {
    this.counters.deliveriesFailed++;
    const growing_s = Math.min(lastWait_s, firstWait_s * 2 ** Math.min(this.#failures, 30));
    const spread_s = growing_s * (1 - this.#options.random() / 2);
    const wait_s = Math.max(spread_s, Math.min(longestRest_s, retryAfter_s ?? 0));
    this.#failures++;
    this.#next_s = this.#options.clock.now_s() + wait_s;
    if (!this.#stopping.signal.aborted) this.#enter('down', why);
    return wait_s;
  }

  #enter(state: SinkView['state'], why: string): void {
    if (state !== this.#state) this.#since_ms = this.#options.clock.wallNow_ms();
    this.#state = state;
    // A page reads it, and receivers do: a key file is named, not where it lies.
    this.#why = withoutPaths(why);
  }

  #resize(took_s: number, messages: number): void {
    if (messages < this.#size && took_s < batch_s) return;
    const factor = Math.min(2, Math.max(0.25, batch_s / Math.max(took_s, 1e-3)));
    this.#size = Math.round(Math.min(mostMessages, Math.max(leastMessages, messages * factor)));
  }
}

/** Waits for a promise, for so long at most; a rejection counts as an end. */
async function within(promise: Promise<void>, time_s: number): Promise<void> {
  let timer: NodeJS.Timeout | undefined;
  const late = new Promise<void>((resolve) => {
    timer = setTimeout(resolve, time_s * 1000);
  });
  await Promise.race([promise.catch(() => undefined), late]);
  clearTimeout(timer);
}
