import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { publishKinds } from '../../../config/publish.ts';
import { Outbox } from '../../../daemon/publish/outbox.ts';
import type { Batch, Delivery, Sink } from '../../../daemon/publish/sink.ts';
import { SinkTask, type TaskClock, type TaskOptions } from '../../../daemon/publish/sink-task.ts';
import { temporaryFolder } from '../../support/event-builder.ts';
import { sinkStart } from '../../support/sink-start.ts';

/** Time that stands until a test moves it. */
class HandClock implements TaskClock {
  at_s = 1000;
  #sleepers: { until_s: number; done: () => void }[] = [];

  wallNow_ms = () => this.at_s * 1000;
  now_s = () => this.at_s;

  sleep(time_s: number, signal: AbortSignal): Promise<void> {
    if (signal.aborted) return Promise.resolve();
    return new Promise((resolve) => {
      signal.addEventListener('abort', () => resolve(), { once: true });
      this.#sleepers.push({ until_s: this.at_s + time_s, done: resolve });
    });
  }

  move(by_s: number): void {
    this.at_s += by_s;
    for (const { done, until_s } of this.#sleepers) if (until_s <= this.at_s) done();
    this.#sleepers = this.#sleepers.filter(({ until_s }) => until_s > this.at_s);
  }
}

const taken = ({ messages }: Batch): Delivery => ({
  settled: messages.length,
  rejected: [],
  unavailable: null,
});
const away = (why: string, retryAfter_s: number | null = null): Delivery => ({
  settled: 0,
  rejected: [],
  unavailable: { why, retryAfter_s },
});

let folder: ReturnType<typeof temporaryFolder>;
let outbox: Outbox;
let clock: HandClock;
let options: TaskOptions;
let task: SinkTask;
let got: { seqs: number[]; isHistorical: boolean; at_s: number }[];
let answer: (batch: Batch) => Delivery | Promise<Delivery>;
let aged: number;
let hasStopped: boolean;

beforeEach(() => {
  folder = temporaryFolder();
  clock = new HandClock();
  got = [];
  answer = taken;
  aged = 0;
  hasStopped = false;
  outbox = new Outbox({
    dataFolder: folder.path,
    node: 'n',
    boot: 'b',
    quota_bytes: 1e9,
    sinks: [{ name: 'a', send: publishKinds }],
    alreadyThere: () => [],
    wallNow_ms: clock.wallNow_ms,
  });
  const sink: Sink = {
    address: 'somewhere',
    start: () => undefined,
    deliver: async (batch, signal) => {
      got.push({
        seqs: batch.messages.map(({ seq }) => seq),
        isHistorical: batch.isHistorical,
        at_s: clock.at_s,
      });
      const aborted = new Promise<Delivery>((resolve) => {
        signal.addEventListener('abort', () => resolve(away('aborted')), { once: true });
      });
      return Promise.race([answer(batch), aborted]);
    },
    stop: async () => {
      hasStopped = true;
    },
  };
  options = {
    name: 'a',
    kind: 'fake',
    sink,
    queue: outbox.queue('a'),
    agedSeq: () => aged,
    backlogRate_Hz: 10,
    clock,
    random: () => 0,
  };
  task = new SinkTask(options);
});
afterEach(async () => {
  await task.stop();
  outbox.close();
  folder.remove();
});

function put(count: number): void {
  outbox.put(
    Array.from({ length: count }, () => ({
      at_ms: 0,
      payload: { kind: 'phase', phase: 'running' } as const,
    })),
  );
  task.notify();
}

function start(): void {
  task.start(sinkStart({ node: 'n' }));
}

async function tries(count: number): Promise<void> {
  await vi.waitFor(() => expect(got).toHaveLength(count), 8_000);
}

test('what is queued goes out at once, and the receiver is said to be up', async () => {
  start();
  put(3);
  await tries(1);
  put(1);
  await tries(2);
  expect(got.map(({ seqs }) => seqs)).toEqual([[1, 2, 3], [4]]);
  await vi.waitFor(
    () => expect(task.view()).toMatchObject({ state: 'up', why: '', waiting: 0, oldest_ms: null }),
    8_000,
  );
  expect(task.view().counters).toMatchObject({
    messagesDelivered: 4,
    deliveriesSettled: 2,
    deliveriesFailed: 0,
  });
});

test('a receiver that is away is tried again after 1, 2, 4 ... 30 s, and what it wants is heard', async () => {
  answer = () => away('out');
  put(1);
  start();
  const waits_s: number[] = [];
  for (let k = 1; k <= 7; k++) {
    await tries(k);
    await vi.waitFor(() => expect(task.view().nextTry_ms).not.toBeNull(), 8_000);
    waits_s.push(task.view().nextTry_ms! / 1000 - clock.at_s);
    expect(task.view().why).toBe(k === 7 ? 'busy' : 'out');
    expect(task.view()).toMatchObject({ state: 'down', since_ms: 1_000_000, waiting: 1 });
    if (k === 6) answer = () => away('busy', 90);
    if (k === 7) answer = taken;
    clock.move(waits_s.at(-1)!);
  }
  expect(waits_s).toEqual([1, 2, 4, 8, 16, 30, 90]);
  await tries(8);
  await vi.waitFor(
    () => expect(task.view()).toMatchObject({ state: 'up', why: '', nextTry_ms: null }),
    8_000,
  );
});

test('fresh messages overtake the backlog, which comes at its rate and is marked', async () => {
  put(20);
  aged = 20;
  outbox.queue('a').age(20);
  start();
  await tries(1);
  put(1);
  await tries(2);
  clock.move(0.5);
  await tries(3);
  clock.move(0.5);
  await tries(4);
  clock.move(0.5);
  await tries(5);
  expect(got).toEqual([
    { seqs: [1, 2, 3, 4, 5], isHistorical: true, at_s: 1000 },
    { seqs: [21], isHistorical: false, at_s: 1000 },
    { seqs: [6, 7, 8, 9, 10], isHistorical: true, at_s: 1000.5 },
    { seqs: [11, 12, 13, 14, 15], isHistorical: true, at_s: 1001 },
    { seqs: [16, 17, 18, 19, 20], isHistorical: true, at_s: 1001.5 },
  ]);
});

test('a part that was settled is not sent again; what was refused is in the dead letters with the words', async () => {
  let isFirst = true;
  answer = (batch) => {
    if (!isFirst) return taken(batch);
    isFirst = false;
    const rejected = [{ seq: 2, why: 'HTTP 400: no', sent: 'the line' }];
    return { settled: 2, rejected, unavailable: { why: 'gone', retryAfter_s: null } };
  };
  put(4);
  start();
  await tries(1);
  await vi.waitFor(() => expect(task.view().nextTry_ms).not.toBeNull(), 8_000);
  clock.move(1);
  await tries(2);
  expect(got[1].seqs).toEqual([3, 4]);
  expect(outbox.deadLetters(10)).toMatchObject([
    { sink: 'a', seq: 2, kind: 'phase', why: 'HTTP 400: no', sent: 'the line' },
  ]);
  await vi.waitFor(
    () => expect(task.view().counters).toMatchObject({ messagesDelivered: 3, messagesRejected: 1 }),
    8_000,
  );
});

test('a message that the sink itself fails at is found and given up, the others go on', async () => {
  answer = (batch) => {
    if (batch.messages.some(({ seq }) => seq === 3)) throw new Error('cannot say this');
    return taken(batch);
  };
  put(5);
  start();
  await vi.waitFor(() => {
    clock.move(30);
    expect(task.view().waiting).toBe(0);
  }, 8_000);
  expect(outbox.deadLetters(10)).toMatchObject([{ seq: 3, why: 'cannot be sent: cannot say this' }]);
  expect(task.view().counters).toMatchObject({ messagesDelivered: 4, messagesRejected: 1 });
});

test('no folder of this machine is in what a page reads of a receiver', async () => {
  start();
  answer = () => away("/srv/rig/secrets/mqtt-key: EACCES: permission denied, open '/srv/my rig/key'");
  put(1);
  await tries(1);
  await vi.waitFor(
    () => expect(task.view().why).toBe("mqtt-key: EACCES: permission denied, open 'key'"),
    20_000,
  );
  answer = () => {
    throw new Error("no such file, open '/srv/rig/ca.pem'");
  };
  for (let k = 0; k < 3; k++) {
    clock.move(60);
    await tries(k + 2);
  }
  await vi.waitFor(() => expect(outbox.deadLetters(10)).toHaveLength(1), 20_000);
  expect(outbox.deadLetters(10)[0]?.why).toBe("cannot be sent: no such file, open 'ca.pem'");
});

test('a receiver that takes a second for each answer still gets a backlog in whole batches', async () => {
  task = new SinkTask({ ...options, backlogRate_Hz: 1000 });
  answer = async (batch) => {
    clock.at_s += 1;
    return taken(batch);
  };
  put(200);
  aged = 200;
  outbox.queue('a').age(200);
  start();
  await vi.waitFor(() => expect(task.view().waiting).toBe(0), 8_000);
  expect(got.length).toBeLessThanOrEqual(10);
  expect(got.slice(0, -1).every(({ seqs }) => seqs.length >= 20)).toBe(true);
});

test('stopping ends what is under way and leaves the rest for the next start', async () => {
  answer = () => new Promise<Delivery>(() => undefined);
  put(1);
  start();
  await tries(1);
  await task.stop();
  expect(hasStopped).toBe(true);
  expect(task.view()).toMatchObject({ state: 'stopped', waiting: 1 });
});
