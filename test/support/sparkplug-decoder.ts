/** Sparkplug payloads as an independent library reads them: the generated protobuf of sparkplug-payload. */
import { createRequire } from 'node:module';

/** What the library has for a metric; it fills absent fields with defaults, so presence is asked of the object itself. */
export interface DecodedMetric {
  readonly name: string | null;
  readonly alias: number | null;
  readonly timestamp_ms: number;
  readonly datatype: number | null;
  readonly isHistorical: boolean;
  readonly value: number | boolean | string | null;
}

export interface Decoded {
  readonly timestamp_ms: number;
  readonly seq: number | null;
  readonly metrics: readonly DecodedMetric[];
}

const root = createRequire(import.meta.url)('sparkplug-payload/lib/sparkplugPayloadProto.js');
const { Payload } = root.org.eclipse.tahu.protobuf;

const values = ['intValue', 'longValue', 'floatValue', 'doubleValue', 'booleanValue', 'stringValue'];

export function decode(bytes: Buffer): Decoded {
  const payload = Payload.decode(bytes);
  return {
    timestamp_ms: Number(payload.timestamp),
    seq: Object.hasOwn(payload, 'seq') ? Number(payload.seq) : null,
    metrics: payload.metrics.map((metric: Record<string, unknown>): DecodedMetric => {
      const has = (key: string) => Object.hasOwn(metric, key) && metric[key] !== null;
      const given = values.filter(has);
      if (given.length > 1) throw new Error(`a metric with ${given.join(' and ')}`);
      const value = given.length === 0 ? null : metric[given[0]!];
      if ((value === null) !== (has('isNull') && metric['isNull'] === true)) {
        throw new Error('a metric without a value must say is_null, one with a value must not');
      }
      return {
        name: has('name') ? String(metric['name']) : null,
        alias: has('alias') ? Number(metric['alias']) : null,
        timestamp_ms: Number(metric['timestamp']),
        datatype: has('datatype') ? Number(metric['datatype']) : null,
        isHistorical: has('isHistorical') && metric['isHistorical'] === true,
        value: given[0] === 'longValue' ? Number(value) : (value as number | boolean | string | null),
      };
    }),
  };
}

/** A command of a host, by the library's own encoder. */
export function encodeCommand(name: string, value: boolean): Buffer {
  const library = createRequire(import.meta.url)('sparkplug-payload').get('spBv1.0');
  return Buffer.from(
    library.encodePayload({
      timestamp: Date.now(),
      metrics: [{ name, value, type: 'Boolean', timestamp: Date.now() }],
    }),
  );
}
