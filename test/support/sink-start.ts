/** What a sink is told when it starts, for tests: all that is not asked of it is harmless. */
import type { SinkStart } from '../../daemon/publish/sink.ts';

export function sinkStart(change: Partial<SinkStart> = {}): SinkStart {
  return {
    node: 'marrowfen-1',
    boot: 'boot',
    software: 'test',
    lineOf: () => null,
    wake: () => undefined,
    ...change,
  };
}
