/**
 * A host application that believes nothing: it holds a node to the rules of Sparkplug 3.0 (ISO/IEC 20237, ids of its tests in
 * brackets), message by message, and knows what a host would show. Payloads are read by an independent library.
 */
import type { Heard } from './brokers.ts';
import { type DecodedMetric, decode } from './sparkplug-decoder.ts';

interface Place {
  isOnline: boolean;
  readonly names: Map<number, string>;
  readonly values: Map<string, DecodedMetric['value']>;
  /** When each value that is not null was so. */
  readonly times_ms: Map<string, number>;
  /** Values of the past, in the order in which they came. */
  readonly past: { readonly name: string; readonly value: DecodedMetric['value'] }[];
}

export class SparkplugHost {
  /** The node has the empty name. */
  readonly places = new Map<string, Place>();
  readonly faults: string[] = [];
  /** `NBIRTH`, `DDATA bus`, ... */
  readonly story: string[] = [];
  /** Also that no value is told after a later one. */
  mindsTime = false;
  #seq: number | null = null;
  #bdSeq: DecodedMetric['value'] = null;
  #mayBirth = false;

  hear({ body, packet, topic }: Heard): void {
    const [namespace, , type, , device = ''] = topic.split('/') as [string, string, string, string, string?];
    if (namespace !== 'spBv1.0' || type.endsWith('CMD')) return;
    const { metrics, seq, timestamp_ms } = decode(body);
    this.story.push(device === '' ? type : `${type} ${device}`);
    const fault = (text: string) => void this.faults.push(`${this.story.length}. ${type} ${device}: ${text}`);
    if (packet.retain) fault('retained');
    if (!(timestamp_ms > 0)) fault('without a timestamp');
    if (type === 'NDEATH') {
      // [payloads-ndeath-will-message-qos] [topics-ndeath-seq] [topics-nbirth-bdseq-matching]
      if (packet.qos !== 1 || seq !== null) fault(`QoS ${packet.qos}, seq ${seq}`);
      const [{ name, value } = { name: '', value: null }] = metrics;
      if (name !== 'bdSeq') fault('without bdSeq');
      if (value === this.#bdSeq) for (const place of this.places.values()) place.isOnline = false;
      if (value === this.#bdSeq) this.#seq = null;
      return;
    }
    // [topics-*-mqtt]
    if (packet.qos !== 0) fault(`QoS ${packet.qos}`);
    // [topics-nbirth-seq-num] [payloads-sequence-num-incrementing]
    if (type === 'NBIRTH' ? seq !== 0 : this.#seq === null || seq !== (this.#seq + 1) % 256)
      fault(`seq ${seq} after ${this.#seq}`);
    this.#seq = seq;
    const place = this.places.get(device) ?? {
      isOnline: false,
      names: new Map(),
      values: new Map(),
      times_ms: new Map(),
      past: [],
    };
    this.places.set(device, place);
    if (type.endsWith('BIRTH')) this.#birth(type, device, place, metrics, fault);
    else if (type === 'DDEATH') {
      // [operational-behavior-device-ddeath]
      if (!place.isOnline || metrics.length > 0) fault('of a dead device, or with metrics');
      place.isOnline = false;
    } else this.#data(place, metrics, fault);
  }

  online(): string[] {
    return [...this.places].filter(([, { isOnline }]) => isOnline).map(([name]) => name);
  }

  #birth(
    type: string,
    device: string,
    place: Place,
    metrics: readonly DecodedMetric[],
    fault: (text: string) => void,
  ): void {
    if (type === 'NBIRTH') {
      this.#mayBirth = true;
      for (const each of this.places.values()) each.isOnline = false;
      this.#bdSeq = metrics.find(({ name }) => name === 'bdSeq')?.value ?? null;
      if (this.#bdSeq === null) fault('without bdSeq');
    } else if (!this.places.get('')?.isOnline) fault('before the birth of its node');
    // [message-flow-device-birth-publish-nbirth-wait]
    if (!this.#mayBirth) fault('before any NBIRTH');
    place.isOnline = true;
    place.names.clear();
    place.values.clear();
    place.times_ms.clear();
    const times = metrics.map(({ timestamp_ms }) => timestamp_ms);
    // [operational-behavior-data-publish-dbirth-order]
    if (times.some((at, k) => k > 0 && at < times[k - 1]!)) fault('not in the order of time');
    for (const { alias, datatype, name, timestamp_ms, value } of metrics) {
      // [topics-nbirth-metric-reqs] [topics-dbirth-metric-reqs]
      if (name === null || datatype === null) fault('a metric without name or type');
      if (alias !== null) place.names.set(alias, name ?? '');
      place.values.set(name ?? '', value);
      if (value !== null) place.times_ms.set(name ?? '', timestamp_ms);
    }
    // [payloads-alias-uniqueness]
    for (const [other, { isOnline, names }] of this.places)
      if (other !== device && isOnline)
        for (const alias of names.keys())
          if (place.names.has(alias)) fault(`alias ${alias} is also one of ${other}`);
  }

  #data(place: Place, metrics: readonly DecodedMetric[], fault: (text: string) => void): void {
    if (!place.isOnline) fault('of what is not alive');
    if (new Set(metrics.map(({ isHistorical }) => isHistorical)).size > 1) fault('of now and of the past');
    for (const { alias, isHistorical, name: told, timestamp_ms, value } of metrics) {
      const name = place.names.get(alias ?? -1);
      // [payloads-alias-data-cmd-requirement]
      if (told !== null || name === undefined) fault(`alias ${alias} was never told, or name ${told} was`);
      else if (isHistorical) place.past.push({ name, value });
      else {
        if (this.mindsTime && timestamp_ms < (place.times_ms.get(name) ?? 0)) fault(`${name} of the past`);
        place.times_ms.set(name, timestamp_ms);
        place.values.set(name, value);
      }
    }
  }
}
