/** An outbox with one receiver, and the task that empties it on the machine's clock. */
import { publishKinds } from '../../config/publish.ts';
import { machineClock } from '../../daemon/publish/clock.ts';
import { Outbox } from '../../daemon/publish/outbox.ts';
import type { Sink } from '../../daemon/publish/sink.ts';
import { SinkTask } from '../../daemon/publish/sink-task.ts';
import { sinkStart } from './sink-start.ts';

/** Its receiver is named `a` and gets every kind. */
export function oneSinkOutbox(dataFolder: string): Outbox {
  return new Outbox({
    dataFolder,
    node: 'marrowfen-1',
    boot: 'boot',
    quota_bytes: 1e9,
    sinks: [{ name: 'a', send: publishKinds }],
    alreadyThere: () => [],
    wallNow_ms: Date.now,
  });
}

/** Started; up to `agedSeq` the messages count as backlog. `stop` ends the task, then the outbox. */
export function startMqttTask(
  outbox: Outbox,
  sink: Sink,
  agedSeq: () => number,
): { task: SinkTask; stop: () => Promise<void> } {
  const task = new SinkTask({
    name: 'a',
    kind: 'mqtt',
    sink,
    queue: outbox.queue('a'),
    agedSeq,
    backlogRate_Hz: 10_000,
    clock: machineClock,
    random: () => 1,
  });
  task.start(sinkStart());
  const stop = async () => {
    await task.stop();
    outbox.close();
  };
  return { task, stop };
}
