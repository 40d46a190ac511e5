/** A message that a broker hangs up at, driven as at a station: it has waited, and fresh ones come all the time. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, expect, test } from 'vitest';
import { MqttSink } from '../../daemon/publish/mqtt/sink.ts';
import { oneSinkOutbox, startMqttTask } from '../support/outbox-task.ts';
import { PickyBroker } from '../support/picky-broker.ts';
import { start_ms, summaryPayload } from '../support/publish-messages.ts';
import { mqttConfig } from '../support/sink-configs.ts';

const ends: (() => unknown)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

test('3.1.1: it does not hold up what waits behind it, whatever fresh comes between', async () => {
  const broker = new PickyBroker(({ cmd, payload }) =>
    cmd === 'publish' && (payload?.length ?? 0) > 5000 ? 'hang up' : 'answer',
  );
  await broker.open();
  ends.push(() => broker.shut());
  const dataFolder = mkdtempSync(join(tmpdir(), 'tripwave-poison-'));
  ends.push(() => rmSync(dataFolder, { recursive: true, force: true }));
  const outbox = oneSinkOutbox(dataFolder);
  const put = (second: number, channels: number) =>
    outbox.put([{ at_ms: start_ms + second * 1000, payload: summaryPayload(second, channels) }]);
  for (const [second, channels] of [1, 2, 60, 2, 1].entries()) put(second, channels);
  const aged = outbox.head;
  const { task, stop } = startMqttTask(
    outbox,
    new MqttSink(mqttConfig(broker.url, { timeout_s: 2, version: '3.1.1' })),
    () => aged,
  );
  ends.push(stop);
  let second = 10;
  const fresh = setInterval(() => {
    put(second++, 1);
    task.notify();
  }, 100);
  ends.push(() => clearInterval(fresh));
  await expect.poll(() => outbox.deadLetters(9).map(({ seq }) => seq), { timeout: 30_000 }).toEqual([3]);
  const seqs = () =>
    new Set(
      broker.taken
        .filter(({ topic }) => topic?.endsWith('/summary') === true)
        .map(({ payload }) => JSON.parse(payload!.toString()).seq),
    );
  await expect.poll(() => [1, 2, 4, 5].every((seq) => seqs().has(seq)), { timeout: 10_000 }).toBe(true);
});
