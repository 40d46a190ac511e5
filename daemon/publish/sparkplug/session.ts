/**
 * What one edge node has said and says next (Sparkplug 3.0, ISO/IEC 20237): sequence numbers, aliases, births, data by
 * exception. Pure; sink.ts sends what this makes. There is the node alone and no devices, which chapter 5 allows.
 */
import { encodePayload, type Metric, type MetricValue, rebirthName } from './protobuf.ts';
import type { NamedValue } from './values.ts';

interface Known {
  readonly name: string;
  readonly type: NamedValue['type'];
  readonly alias: number;
  value: MetricValue;
  timestamp_ms: number;
}

const wrap = 256;

export class NodeSession {
  readonly #software: string;
  readonly #known = new Map<string, Known>();
  /** Of the last CONNECT; one before the first. */
  #bdSeq = wrap - 1;
  #seq = 0;

  constructor(software: string) {
    this.#software = software;
  }

  /** A CONNECT is about to be sent: the payload of its will, with the next bdSeq (tck-id-topics-nbirth-bdseq-increment). */
  nextWill(now_ms: number): Buffer {
    this.#bdSeq = (this.#bdSeq + 1) % wrap;
    return this.death(now_ms);
  }

  /** The same for an intended end (tck-id-topics-ndeath-payload, tck-id-topics-ndeath-seq: bdSeq alone and no seq). */
  death(now_ms: number): Buffer {
    return encodePayload({ timestamp_ms: now_ms, metrics: [this.#bdSeqMetric(now_ms)] });
  }

  /** Every metric that is known, with its last value (tck-id-topics-nbirth-seq-num, -nbirth-metric-reqs, -nbirth-rebirth-metric). */
  birth(now_ms: number): Buffer {
    this.#seq = 0;
    const metrics: Metric[] = [
      this.#bdSeqMetric(now_ms),
      { name: rebirthName, type: 'Boolean', timestamp_ms: now_ms, value: false },
      { name: 'Properties/Software', type: 'String', timestamp_ms: now_ms, value: this.#software },
    ];
    // A value older than the birth keeps its own time; the list must be in the order of time.
    const known = [...this.#known.values()].sort((a, b) => a.timestamp_ms - b.timestamp_ms);
    return encodePayload({ timestamp_ms: now_ms, seq: 0, metrics: [...known, ...metrics] });
  }

  /** Makes metrics known that are not yet, without a value. True when there were any: a birth must come before their data. */
  learn(values: readonly NamedValue[], now_ms: number): boolean {
    const before = this.#known.size;
    for (const { name, type } of values) {
      if (this.#known.has(name)) continue;
      const alias = this.#known.size + 1;
      this.#known.set(name, { name, type, alias, value: null, timestamp_ms: now_ms });
    }
    return this.#known.size > before;
  }

  /**
   * Values of one instant as data; null when none of them is news. All must be known. What is historical is told whole, in
   * a payload of its own, and is not what the node says now.
   */
  data(values: readonly NamedValue[], at_ms: number, isHistorical: boolean, now_ms: number): Buffer | null {
    const metrics: Metric[] = [];
    for (const { name, type, value } of values) {
      const known = this.#known.get(name);
      if (known === undefined) throw new Error(`no birth told of ${name}`);
      if (!isHistorical) {
        if (known.value === value) continue;
        known.value = value;
        known.timestamp_ms = at_ms;
      }
      metrics.push({ alias: known.alias, type, timestamp_ms: at_ms, isHistorical, value });
    }
    if (metrics.length === 0) return null;
    this.#seq = (this.#seq + 1) % wrap;
    return encodePayload({ timestamp_ms: now_ms, seq: this.#seq, metrics });
  }

  #bdSeqMetric(now_ms: number): Metric {
    return { name: 'bdSeq', type: 'Int64', timestamp_ms: now_ms, value: this.#bdSeq };
  }
}
