/** A response time that the rig file does not give is assumed by kind of instrument, and the verdict says so. */
import { expect, test } from 'vitest';
import { flags, judged } from '../../support/keys/key-record.ts';

test('not given: assumed, wide and said; given: as it is', () => {
  const silent = judged();
  const [outlet] = silent.config.channels;
  expect(outlet).toMatchObject({
    responseTime_s: 0.001,
    responseTimeHalfWidth_s: 0.001,
    isResponseTimeAssumed: true,
  });
  expect(flags(silent)).toContain('response-time-assumed');
  const stated = judged([
    'column: outlet, quantity: pressure,',
    'column: outlet, quantity: pressure, responseTime: 0 s,',
  ]);
  expect(stated.config.channels[0]).toMatchObject({ responseTime_s: 0, responseTimeHalfWidth_s: 0 });
  expect(stated.config.channels[0]).not.toHaveProperty('isResponseTimeAssumed');
});
