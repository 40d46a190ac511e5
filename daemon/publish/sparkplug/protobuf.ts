/**
 * The part of the Sparkplug B payload that is used here, to and from protobuf. Field numbers: sparkplug_b.proto of the
 * specification (ISO/IEC 20237, chapter 6); wire format: Protocol Buffers Encoding (varints, little-endian doubles).
 */

/** Sparkplug data types by their numbers (6.4.16). */
export const dataType = { Int64: 4, Double: 10, Boolean: 11, String: 12 } as const;
export type DataType = keyof typeof dataType;

export type MetricValue = number | boolean | string | null;

export interface Metric {
  /** In births; data has the alias alone. */
  readonly name?: string;
  readonly alias?: number;
  /** ms since 1970, UTC. */
  readonly timestamp_ms: number;
  readonly type: DataType;
  readonly isHistorical?: boolean;
  readonly value: MetricValue;
}

export interface SparkplugPayload {
  readonly timestamp_ms: number;
  /** 0 to 255; absent in NDEATH. */
  readonly seq?: number;
  readonly metrics: readonly Metric[];
}

const varint = 0;
const fixed64 = 1;
const lengthDelimited = 2;
const fixed32 = 5;

/** Data leaves the type out: it stands in the birth. */
export function encodePayload({ metrics, seq, timestamp_ms }: SparkplugPayload): Buffer {
  const out: Buffer[] = [numberField(1, timestamp_ms)];
  for (const metric of metrics) out.push(bytesField(2, encodeMetric(metric)));
  if (seq !== undefined) out.push(numberField(3, seq));
  return Buffer.concat(out);
}

function encodeMetric({ alias, isHistorical, name, timestamp_ms, type, value }: Metric): Buffer {
  const out: Buffer[] = [];
  if (name !== undefined) out.push(bytesField(1, Buffer.from(name)));
  if (alias !== undefined) out.push(numberField(2, alias));
  out.push(numberField(3, timestamp_ms));
  if (name !== undefined) out.push(numberField(4, dataType[type]));
  if (isHistorical === true) out.push(numberField(5, 1));
  if (value === null) out.push(numberField(7, 1));
  else if (typeof value === 'boolean') out.push(numberField(14, value ? 1 : 0));
  else if (typeof value === 'string') out.push(bytesField(15, Buffer.from(value)));
  else if (type === 'Double') out.push(doubleField(13, value));
  else out.push(numberField(11, value));
  return Buffer.concat(out);
}

function numberField(field: number, value: number): Buffer {
  return Buffer.from([...varintOf(field * 8 + varint), ...varintOf(value)]);
}

function doubleField(field: number, value: number): Buffer {
  const out = Buffer.alloc(9);
  out[0] = field * 8 + fixed64;
  out.writeDoubleLE(value, 1);
  return out;
}

function bytesField(field: number, bytes: Buffer): Buffer {
  return Buffer.concat([
    Buffer.from([...varintOf(field * 8 + lengthDelimited), ...varintOf(bytes.length)]),
    bytes,
  ]);
}

/** Whole numbers from 0 to 2^53 - 1: bitwise operators would end at 2^31. */
function varintOf(value: number): number[] {
  const out: number[] = [];
  let rest = value;
  for (; rest >= 0x80; rest = Math.floor(rest / 0x80)) out.push((rest % 0x80) | 0x80);
  out.push(rest);
  return out;
}

/** Whether a command asks for a new birth: a metric `Node Control/Rebirth` that is true. Anything else asks for nothing. */
export function isRebirthRequest(payload: Buffer): boolean {
  for (const metric of fieldsOf(payload) ?? []) {
    if (metric.field !== 2 || typeof metric.value === 'number') continue;
    const fields = fieldsOf(metric.value) ?? [];
    const name = fields.find(({ field }) => field === 1)?.value;
    const value = fields.find(({ field }) => field === 14)?.value;
    if (Buffer.isBuffer(name) && name.toString() === rebirthName && value === 1) return true;
  }
  return false;
}

export const rebirthName = 'Node Control/Rebirth';

interface Field {
  readonly field: number;
  /** Of a varint its number; else its bytes. */
  readonly value: number | Buffer;
}

/** Null when it is no protobuf: commands come from anybody who may publish. */
function fieldsOf(bytes: Buffer): Field[] | null {
  const fields: Field[] = [];
  let at = 0;
  const readVarint = (): number => {
    let value = 0;
    for (let scale = 1; at < bytes.length; scale *= 0x80) {
      const byte = bytes[at++]!;
      value += (byte & 0x7f) * scale;
      if (byte < 0x80) return value;
    }
    return Number.NaN;
  };
  while (at < bytes.length) {
    const tag = readVarint();
    const wire = tag % 8;
    const field = Math.floor(tag / 8);
    if (wire === varint) {
      fields.push({ field, value: readVarint() });
      continue;
    }
    const length =
      wire === fixed64 ? 8 : wire === fixed32 ? 4 : wire === lengthDelimited ? readVarint() : Number.NaN;
    if (!(length <= bytes.length - at)) return null;
    fields.push({ field, value: bytes.subarray(at, at + length) });
    at += length;
  }
  return fields;
}
