import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  dataType,
  encodePayload,
  isRebirthRequest,
  type Metric,
} from '../../daemon/publish/sparkplug/protobuf.ts';
import { decode, encodeCommand } from '../support/sparkplug-decoder.ts';

const whole = fc.maxSafeNat();
const values = {
  Int64: whole,
  Double: fc.double({ noNaN: true }),
  Boolean: fc.boolean(),
  String: fc.string({ unit: 'grapheme' }),
} as const;
const metric: fc.Arbitrary<Metric> = fc
  .constantFrom(...(Object.keys(dataType) as (keyof typeof dataType)[]))
  .chain((type) =>
    fc.record(
      {
        type: fc.constant(type),
        timestamp_ms: whole,
        value: fc.option<string | number | boolean>(values[type]),
        name: fc.string({ minLength: 1, unit: 'grapheme' }),
        alias: whole,
        isHistorical: fc.boolean(),
      },
      { requiredKeys: ['type', 'timestamp_ms', 'value'] },
    ),
  );

// Independent reader: the generated protobuf of sparkplug-payload 1.0.3.
test('whatever is encoded, an independent library reads the same', () => {
  fc.assert(
    fc.property(whole, fc.option(fc.nat(255)), fc.array(metric), (timestamp_ms, seq, metrics) => {
      const bytes = encodePayload({ timestamp_ms, ...(seq === null ? {} : { seq }), metrics });
      expect(decode(bytes)).toEqual({
        timestamp_ms,
        seq,
        metrics: metrics.map(({ alias, isHistorical, name, timestamp_ms: at_ms, type, value }) => ({
          name: name ?? null,
          alias: alias ?? null,
          timestamp_ms: at_ms,
          // tck-id-payloads-metric-datatype-not-req: the type stands in births, where the name stands.
          datatype: name === undefined ? null : dataType[type],
          isHistorical: isHistorical ?? false,
          value,
        })),
      });
    }),
  );
});

test('only a true rebirth is one, and no bytes at all are a danger', () => {
  expect(isRebirthRequest(encodeCommand('Node Control/Rebirth', true))).toBe(true);
  expect(isRebirthRequest(encodeCommand('Node Control/Rebirth', false))).toBe(false);
  expect(isRebirthRequest(encodeCommand('Node Control/Reboot', true))).toBe(false);
  fc.assert(
    fc.property(fc.uint8Array({ maxLength: 200 }), (bytes) => {
      expect(isRebirthRequest(Buffer.from(bytes))).toBe(false);
    }),
    { numRuns: 2000 },
  );
  const command = encodeCommand('Node Control/Rebirth', true);
  for (let length = 0; length < command.length; length++) isRebirthRequest(command.subarray(0, length));
});
