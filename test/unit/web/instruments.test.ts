import { expect, test } from 'vitest';
import type { ChannelStatus, StatusMessage } from '../../../daemon/recorder/messages.ts';
import { RigState } from '../../../daemon/server/rig-state.ts';

let now_ms = 1000;
const state = new RigState(() => now_ms);

function say(...channels: readonly ChannelStatus[]) {
  now_ms += 500;
  const message: StatusMessage = {
    kind: 'status',
    time_s: now_ms / 1000,
    phase: 'running',
    tripIn_s: null,
    lines: [],
    counters: {},
    channels,
  };
  state.status(message);
  return state.view({});
}

test('an instrument that fails or is due is a trouble since it was first told, until it is good again', () => {
  const failed = {
    channel: 'PT-1',
    class: 'failure',
    text: '3.00 mA: failure signal or broken wire',
  } as const;
  const first = say(failed);
  expect(first.channels).toEqual([failed]);
  expect(first.troubles).toEqual([
    expect.objectContaining({ since_ms: 1500, what: 'PT-1: 3.00 mA: failure signal or broken wire.' }),
  ]);
  const due = {
    channel: 'PT-2',
    class: 'maintenance-required',
    text: 'calibration was due on 2026-03-02',
  } as const;
  const second = say(failed, due);
  expect(second.troubles.map(({ since_ms }) => since_ms)).toEqual([1500, 2000]);
  expect(second.troubles[1].remedy).toContain('Calibrate it');
  // The end of the signal in a slam is no trouble.
  const slam = { channel: 'PT-1', class: 'out-of-specification', text: '' } as const;
  expect(say(slam, { ...due, class: 'good' }).troubles).toEqual([]);
});
