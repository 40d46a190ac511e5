import { expect, it } from 'vitest';
import { unitsOf } from '../../../../drivers/modbus/unit-health.ts';
import { channel, unitSpec } from '../../../support/modbus-rig.ts';

it('is silent since its first unanswered request, whatever the line did in between, until it answers', () => {
  const [unit] = unitsOf([unitSpec(7, [channel('holding', 0)])], false);
  if (unit === undefined) throw new Error('no unit');
  const fail = (...times_s: number[]) => {
    for (const time_s of times_s) unit.timedOut(time_s, false);
  };
  fail(1, 2);
  expect(unit.silence).toBeNull();
  fail(3);
  expect(unit.silence).toMatchObject({ since_s: 1 });
  unit.forgive();
  expect(unit.silence).toBeNull();
  fail(10, 11, 12);
  expect(unit.silence).toMatchObject({ since_s: 1 });
  unit.answered();
  fail(20, 21, 22);
  expect(unit.silence).toMatchObject({ since_s: 20 });
});
