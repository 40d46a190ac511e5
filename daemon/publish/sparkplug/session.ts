/**
 * What one edge node and its devices have said and say next (Sparkplug 3.0, ISO/IEC 20237): sequence numbers, births, deaths,
 * data. Pure; sink.ts sends what this makes. Each line of the rig is a device: alive while its link is open and the recorder
 * is heard. What is true of the whole station belongs to the node, the state of the lines too: a dead device can say nothing.
 */
import type { Message } from '../messages.ts';
import { Deaths } from './deaths.ts';
import { MetricSet } from './metric-set.ts';
import { encodePayload, type Metric, rebirthName } from './protobuf.ts';
import { SilentChannels } from './silent-channels.ts';
import { type Told, valuesOf } from './values.ts';

/** A message of the node (`device` null) or of one device. */
export interface Outgoing {
  readonly type: 'NBIRTH' | 'NDATA' | 'DBIRTH' | 'DDATA' | 'DDEATH';
  readonly device: string | null;
  readonly payload: Buffer;
}

interface Device {
  readonly name: string;
  readonly metrics: MetricSet;
  /** Null before its line has told its state: alive if it has something to say. */
  isOpen: boolean | null;
  /** The host has a birth of this session and no death after it. */
  isBorn: boolean;
}

/** Of data: when it was so, whether it has waited, and when it is sent; in ms since 1970. */
interface When {
  readonly at_ms: number;
  readonly isHistorical: boolean;
  readonly now_ms: number;
}

const wrap = 256;

/** Told when it happens and never again; all of it belongs to the node. */
function isOnce({ payload: { kind } }: Message): boolean {
  return kind === 'trip' || kind === 'event' || kind === 'verdict';
}

export class NodeSession {
  readonly deaths = new Deaths();
  readonly #software: string;
  readonly #lineOf: (channel: string) => string | null;
  readonly #metrics: MetricSet;
  readonly #devices = new Map<string, Device>();
  readonly #silent = new SilentChannels();
  #aliases = 0;
  #seq = 0;
  #isRecorderGone = false;

  constructor(software: string, lineOf: (channel: string) => string | null) {
    this.#software = software;
    this.#lineOf = lineOf;
    this.#metrics = this.#newSet();
  }

  /**
   * The node with every metric that is known, then its living devices (tck-id-topics-nbirth-seq-num, -nbirth-metric-reqs,
   * -nbirth-rebirth-metric; tck-id-payloads-dbirth-order). Begins a session, or answers a request for a rebirth.
   */
  births(now_ms: number): Outgoing[] {
    const metrics: Metric[] = [
      this.deaths.metric(now_ms),
      { name: rebirthName, type: 'Boolean', timestamp_ms: now_ms, value: false },
      { name: 'Properties/Software', type: 'String', timestamp_ms: now_ms, value: this.#software },
    ];
    this.#seq = wrap - 1;
    const out = [this.#outgoing('NBIRTH', null, [...this.#metrics.all(), ...metrics], now_ms)];
    for (const device of this.#devices.values()) {
      device.isBorn = false;
      if (this.#isAlive(device) && !device.metrics.isEmpty) out.push(this.#birthOf(device, now_ms));
    }
    return out;
  }

  /** What a batch of the outbox makes; nothing of it counts as told before `settle`. */
  tell(messages: readonly Message[], isHistorical: boolean, now_ms: number): Outgoing[] {
    const told = messages.map((each) => {
      const message = isHistorical ? each : this.#silent.complete(each, (channel) => this.#isRead(channel));
      return { message, parts: valuesOf(message, this.#lineOf) };
    });
    const out = this.#birthsOfNew(
      told.flatMap(({ parts }) => parts),
      now_ms,
    );
    for (const { message, parts } of told) {
      for (const part of parts) {
        // Nothing tells of it again: one that waited and is the newest is also the present; one of before, such as a captured
        // window, is not.
        const isPresent = isOnce(message)
          ? this.#metrics.isNewest(part.values, message.at_ms, now_ms)
          : !isHistorical;
        const at = { at_ms: message.at_ms, now_ms };
        if (isHistorical || !isPresent) out.push(...this.#data(part, { ...at, isHistorical: true }));
        if (isPresent) out.push(...this.#data(part, { ...at, isHistorical: false }));
      }
      if (!isHistorical) out.push(...this.#liveness(message, now_ms));
    }
    // A device that is dead was born only for what it still had to say.
    for (const device of this.#devices.values()) {
      if (device.isBorn && !this.#isAlive(device)) out.push(this.#deathOf(device, now_ms));
    }
    return out;
  }

  /** What was told last has arrived. */
  settle(): void {
    for (const set of this.#sets()) set.settle();
  }

  /** It has not, or nobody knows: it is told again in the next session, whose births must not run ahead of it. */
  undo(): void {
    for (const set of this.#sets()) set.undo();
  }

  /** One birth, however much is new: of all when the node has something new, else of the devices that have. */
  #birthsOfNew(told: readonly Told[], now_ms: number): Outgoing[] {
    let isNodeNew = false;
    const grown = new Set<Device>();
    for (const { device: name, values } of told) {
      if (name === null) isNodeNew = this.#metrics.learn(values, now_ms) || isNodeNew;
      else if (this.#device(name).metrics.learn(values, now_ms)) grown.add(this.#device(name));
    }
    if (isNodeNew) return this.births(now_ms);
    return [...grown].filter(({ isBorn }) => isBorn).map((device) => this.#birthOf(device, now_ms));
  }

  #data({ device: name, values }: Told, { at_ms, isHistorical, now_ms }: When): Outgoing[] {
    const device = name === null ? null : this.#device(name);
    const out: Outgoing[] = [];
    if (device?.isBorn === false) out.push(this.#birthOf(device, now_ms));
    const metrics = (device?.metrics ?? this.#metrics).news(values, at_ms, isHistorical);
    const type = device === null ? 'NDATA' : 'DDATA';
    if (metrics.length > 0) out.push(this.#outgoing(type, device, metrics, now_ms));
    return out;
  }

  /** Deaths and births that a fresh word about a line or the recorder brings (tck-id-operational-behavior-device-ddeath). */
  #liveness({ payload }: Message, now_ms: number): Outgoing[] {
    if (payload.kind === 'link') this.#device(payload.line).isOpen = payload.state === 'open';
    else if (payload.kind === 'phase') this.#isRecorderGone = payload.phase === 'recorder-gone';
    else return [];
    return [...this.#devices.values()].flatMap((device) => {
      if (device.isBorn === this.#isAlive(device) || device.metrics.isEmpty) return [];
      return [device.isBorn ? this.#deathOf(device, now_ms) : this.#birthOf(device, now_ms)];
    });
  }

  /** Whether its line is; a dead device has nothing to say. */
  #isRead(channel: string): boolean {
    const device = this.#devices.get(this.#lineOf(channel) ?? '');
    return device?.isBorn === true;
  }

  #isAlive({ isOpen }: Device): boolean {
    return isOpen !== false && !this.#isRecorderGone;
  }

  #birthOf(device: Device, now_ms: number): Outgoing {
    device.isBorn = true;
    return this.#outgoing('DBIRTH', device, device.metrics.all(), now_ms);
  }

  #deathOf(device: Device, now_ms: number): Outgoing {
    device.isBorn = false;
    return this.#outgoing('DDEATH', device, [], now_ms);
  }

  /** `seq` counts the messages of node and devices together (tck-id-payloads-sequence-num-incrementing). */
  #outgoing(
    type: Outgoing['type'],
    device: Device | null,
    metrics: readonly Metric[],
    now_ms: number,
  ): Outgoing {
    this.#seq = (this.#seq + 1) % wrap;
    return {
      type,
      device: device?.name ?? null,
      payload: encodePayload({ timestamp_ms: now_ms, seq: this.#seq, metrics }),
    };
  }

  #device(name: string): Device {
    let device = this.#devices.get(name);
    if (device === undefined) {
      device = { name, metrics: this.#newSet(), isOpen: null, isBorn: false };
      this.#devices.set(name, device);
    }
    return device;
  }

  #newSet(): MetricSet {
    return new MetricSet(() => ++this.#aliases);
  }

  *#sets(): Generator<MetricSet> {
    yield this.#metrics;
    for (const { metrics } of this.#devices.values()) yield metrics;
  }
}
