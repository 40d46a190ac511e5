/** The resolved `publish:` section: what leaves this machine, and where to. Holds no secret, only where one is kept. */

/** Everything that can be published, in the words of the file; daemon/publish/messages.ts has one payload for each. */
export const publishKinds = [
  'summary',
  'trend',
  'trip',
  'event',
  'verdict',
  'link',
  'phase',
  'alarm',
  'sink',
] as const;

/** What may be asked of a station by message, where its rig file allows it. Never anything that reaches a device. */
export const commandNames = ['capture', 'status'] as const;

export type CommandName = (typeof commandNames)[number];

export type PublishKind = (typeof publishKinds)[number];

/** Where a secret is kept: the first line of a file, or a variable of the environment. Read by the sink when it starts. */
export type SecretSource =
  | { readonly from: 'file'; readonly file: string }
  | { readonly from: 'variable'; readonly variable: string };

/** What every sink has. */
export interface SinkConfigBase {
  /** Unique in the file. The sink's place in the queue is kept under it: a new name begins anew. */
  readonly name: string;
  /** Kinds that this sink gets; the others pass it by. */
  readonly send: readonly PublishKind[];
}

/** A server that takes line protocol over HTTP. */
export interface InfluxSinkConfig extends SinkConfigBase {
  readonly kind: 'influx';
  /** Scheme, host, port and, behind a proxy, a path; no user, no password, no query. */
  readonly url: string;
  /** `v2`: /api/v2/write with a token (also servers of version 3); `v1`: /write?db=. */
  readonly api: 'v1' | 'v2';
  /** v2 only; empty where the server wants none. */
  readonly organisation: string;
  /** Bucket (v2) or database (v1). */
  readonly bucket: string;
  readonly token: SecretSource | null;
  /** v1 only. */
  readonly user: string | null;
  readonly password: SecretSource | null;
  /** PEM file of the authority that signed the server's certificate; null: those of the system. */
  readonly authority: string | null;
  /** A request that is not answered for so long has failed, in s. */
  readonly timeout_s: number;
}

/** How a broker is reached; the same for every sink that has one. */
export interface BrokerConfig {
  /** `mqtt://` or `mqtts://`, host and port; no user, no password. */
  readonly url: string;
  /** `auto`: 5, and 3.1.1 at a broker that does not know it. */
  readonly version: 'auto' | '5' | '3.1.1';
  /** Null: made from the names of node and sink. */
  readonly clientId: string | null;
  readonly user: string | null;
  readonly password: SecretSource | null;
  /** PEM files: the authority behind the broker's certificate (null: those of the system), our own certificate, its key. */
  readonly authority: string | null;
  readonly certificate: string | null;
  readonly key: string | null;
  /** A broker that does not answer for so long has failed, in s. */
  readonly timeout_s: number;
}

/** JSON on the topics of a broker. */
export interface MqttSinkConfig extends SinkConfigBase, BrokerConfig {
  readonly kind: 'mqtt';
  /** What all topics begin with. */
  readonly topic: string;
  /** What is taken from the broker; none unless the file says so. */
  readonly commands: readonly CommandName[];
}

/** A Sparkplug B edge node at a broker. */
export interface SparkplugSinkConfig extends SinkConfigBase, BrokerConfig {
  readonly kind: 'sparkplug';
  readonly group: string;
  /** Null: it does not wait for one. */
  readonly primaryHost: string | null;
}

/** One sink of any kind; a new kind is added here and in schema-publish.ts. */
export type SinkConfig = InfluxSinkConfig | MqttSinkConfig | SparkplugSinkConfig;

export interface PublishConfig {
  /** Name of this station, unique among all that publish to the same place. */
  readonly node: string;
  /** Messages that wait may take so much of the disk; beyond that the oldest are shed, in bytes. */
  readonly quota_bytes: number;
  /** What has waited is sent at most so fast to each sink, in messages per second. */
  readonly backlogRate_Hz: number;
  readonly sinks: readonly SinkConfig[];
}
