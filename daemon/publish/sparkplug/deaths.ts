/** The death of an edge node, said by itself or by the broker as its last will, and the number that ties it to its birth. Pure. */
import { encodePayload, type Metric } from './protobuf.ts';

const wrap = 256;

export class Deaths {
  /** Of the last CONNECT; one before the first. */
  #bdSeq = wrap - 1;
  #isWillSent = true;

  /**
   * For an attempt to connect: the payload of its will, with a bdSeq that is one more than that of the last CONNECT that was sent
   * (tck-id-topics-nbirth-bdseq-increment, tck-id-message-flow-edge-node-birth-publish-will-message-payload-bdSeq).
   */
  nextWill(now_ms: number): Buffer {
    if (this.#isWillSent) this.#bdSeq = (this.#bdSeq + 1) % wrap;
    this.#isWillSent = false;
    return this.payload(now_ms);
  }

  /** The attempt came to a CONNECT. */
  willSent(): void {
    this.#isWillSent = true;
  }

  /** The same for an intended end (tck-id-topics-ndeath-payload, tck-id-topics-ndeath-seq: bdSeq alone and no seq). */
  payload(now_ms: number): Buffer {
    return encodePayload({ timestamp_ms: now_ms, metrics: [this.metric(now_ms)] });
  }

  /** For the birth. */
  metric(now_ms: number): Metric {
    return { name: 'bdSeq', type: 'Int64', timestamp_ms: now_ms, value: this.#bdSeq };
  }
}
