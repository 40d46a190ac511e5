import { expect, test } from 'vitest';
import type { AppliedCalibration } from '../../../config/rig.ts';
import { channelStatuses } from '../../../daemon/recorder/channel-status.ts';
import { LoopWatch } from '../../../daemon/recorder/loop-watch.ts';
import { recorderRig } from '../../support/recorder-rig.ts';

const calibration: AppliedCalibration = {
  version: 1,
  kind: 'zero',
  from_ms: 0,
  due_ms: Date.UTC(2026, 2, 2),
  certificate: '',
  correction: { offset: 0, scale: 1 },
  covariance: null,
  deviation: null,
  degrees: null,
  referenceUncertainty: null,
  status: 'good',
};
const held = { version: 1, from_ms: 0, due_ms: Date.UTC(2026, 2, 2), drift: null };
const [outlet, tank, ...others] = recorderRig().channels;
const channels = [outlet, { ...tank, calibration }, ...others];

test('a calibration that is due asks for maintenance from its day on', () => {
  expect(channelStatuses(channels, [], Date.UTC(2026, 2, 1))).toEqual([
    { channel: 'tank', class: 'good', text: '', calibration: held },
  ]);
  expect(channelStatuses(channels, [], Date.UTC(2026, 2, 2))).toEqual([
    {
      channel: 'tank',
      class: 'maintenance-required',
      text: 'calibration was due on 2026-03-02',
      calibration: held,
    },
  ]);
});

test('what presses most is shown, with every reason', () => {
  const loop = new LoopWatch('tank', 0, { scale_A: 1e-3, offset_A: 0 });
  const block = { group: 0, scan: 0, scans: 1, time_s: 0, interval_s: 5, halfWidth_s: 0, lostBefore: 0 };
  const raw = { ...block, raw: Int32Array.of(3), quality: new Uint8Array(1) };
  loop.take(raw, { ...raw, values: new Float64Array(1) }, 1);
  expect(channelStatuses(channels, [loop], Date.UTC(2026, 2, 2))).toEqual([
    {
      channel: 'tank',
      class: 'failure',
      text: '3.00 mA: failure signal or broken wire; calibration was due on 2026-03-02',
      calibration: held,
    },
  ]);
});

test('a second calibration tells what it found wrong under the first', () => {
  const second: AppliedCalibration = {
    ...calibration,
    version: 2,
    from_ms: Date.UTC(1970, 3, 11),
    previousFrom_ms: 0,
    correction: { offset: -500, scale: 1 },
  };
  const [status] = channelStatuses([{ ...tank, calibration: second }], [], 0);
  expect(status.calibration?.drift).toMatchObject({ value: 500, days: 100 });
});
