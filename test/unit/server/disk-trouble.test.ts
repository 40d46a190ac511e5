import { expect, test } from 'vitest';
import { RigState } from '../../../daemon/server/rig-state.ts';

test('a disk that refuses is named without the folder in which the data lies', () => {
  const state = new RigState(() => 1000);
  const why = "EACCES: permission denied, open '/srv/rig/data/ring/1.part'";
  const disk = { free_bytes: 1e9, state: 'refusing', why, eventsWaiting: 0 } as const;
  state.status({
    kind: 'status',
    time_s: 1,
    phase: 'running',
    tripIn_s: null,
    lines: [],
    counters: {},
    disk,
  });
  const [trouble] = state.view({}).troubles;
  expect(trouble?.what).toContain("EACCES: permission denied, open '1.part'");
});
