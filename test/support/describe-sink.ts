/** The contract of a sink as tests: every kind of sink and every fake runs them. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Batch, Sink } from '../../daemon/publish/sink.ts';
import { everyPayload, messagesOf } from './publish-messages.ts';
import { sinkStart } from './sink-start.ts';

/** A sink and the receiver at its other end. */
export interface SinkUnderTest {
  readonly sink: Sink;
  /** The receiver takes everything from now on. */
  open(): Promise<void>;
  /** The receiver is not there. */
  shut(): Promise<void>;
  /** The receiver keeps connections and answers nothing. */
  hang(): Promise<void>;
  end(): Promise<void>;
}

/** `make` gives a sink that was never started and a receiver that is open. */
export function describeSink(name: string, make: () => Promise<SinkUnderTest>): void {
  describe(`the contract of a sink: ${name}`, () => {
    let it: SinkUnderTest;
    const batch = (isHistorical = false): Batch => ({ isHistorical, messages: messagesOf(everyPayload()) });
    const start = () => it.sink.start(sinkStart());
    const deliver = (what: Batch, limit_ms = 10_000) => it.sink.deliver(what, AbortSignal.timeout(limit_ms));
    const everything = { settled: batch().messages.length, rejected: [], unavailable: null };

    beforeEach(async () => {
      it = await make();
    });
    afterEach(async () => {
      await it.sink.stop();
      await it.end();
    });

    test('never started: delivers nothing, stops for nothing', async () => {
      await expect(deliver(batch())).rejects.toThrow();
      await it.sink.stop();
    });

    test('started: takes fresh and historical batches of every kind; a second start is a bug', async () => {
      start();
      expect(() => start()).toThrow();
      expect(await deliver(batch())).toEqual(everything);
      expect(await deliver(batch(true))).toEqual(everything);
    });

    test('a receiver that is away is an answer, and is reached again without a new start', async () => {
      await it.shut();
      start();
      const { settled, rejected, unavailable } = await deliver(batch());
      expect({ settled, rejected }).toEqual({ settled: 0, rejected: [] });
      expect(unavailable?.why).toMatch(/\S/);
      await it.open();
      expect(await deliver(batch())).toEqual(everything);
    });

    test('a delivery that hangs ends with its signal, and what was not settled is said not to be', async () => {
      start();
      await it.hang();
      const begin_ms = performance.now();
      const { settled, unavailable } = await deliver(batch(), 300);
      expect(settled).toBeLessThan(batch().messages.length);
      expect(unavailable?.why).toMatch(/\S/);
      // Within a second of the signal; the rest is for a busy machine.
      expect(performance.now() - begin_ms).toBeLessThan(5000);
    });

    test('stopped: delivers nothing and does not start again; stopping twice is one', async () => {
      start();
      await it.sink.stop();
      await it.sink.stop();
      await expect(deliver(batch())).rejects.toThrow();
      expect(() => start()).toThrow();
    });

    test('its address tells no secret', () => {
      expect(it.sink.address).not.toMatch(/secret/i);
    });
  });
}
