/** What a sink is told when it starts, for tests: all that is not asked of it is harmless. */
import type { SinkStart } from '../../daemon/publish/sink.ts';

export function sinkStart(change: Partial<SinkStart> = {}): SinkStart {
  return {
    node: 'marrowfen-1',
    boot: 'boot',
    software: 'test',
    lineOf: () => null,
    station: {
      capture: async () => ({ event: '20260301T060000Z-A01', trouble: null }),
      sayAgain: () => undefined,
      log: () => undefined,
    },
    wake: () => undefined,
    ...change,
  };
}
