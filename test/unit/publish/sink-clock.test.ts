/** A sink takes its time from the clock that it was given. */
import { expect, test } from 'vitest';
import { createSink } from '../../../daemon/publish/create-sink.ts';
import { sparkplugConfig } from '../../support/sink-configs.ts';
import { sinkStart } from '../../support/sink-start.ts';

test.each([['sparkplug', sparkplugConfig('mqtt://127.0.0.1:1')]])(
  '%s asks the given clock before its first connection',
  async (_, config) => {
    let asked = 0;
    const clock = {
      wallNow_ms: () => {
        asked++;
        return 1000;
      },
      now_s: () => 1,
    };
    const sink = createSink(config, clock);
    sink.start(sinkStart());
    await expect.poll(() => asked).toBeGreaterThan(0);
    await sink.stop();
  },
);
