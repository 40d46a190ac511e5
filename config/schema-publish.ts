/**
 * The `publish:` section of the schema. A new kind of sink has files of its own, `schema-publish-<kind>.ts` (an object with
 * `kind: Type.Literal(...)` and the keys of `sinkKeys`) and `resolve-publish-<kind>.ts`, its resolved type in publish.ts, and
 * one more member in the union below.
 */
import Type, { type Static } from 'typebox';
import { influxSink } from './schema-publish-influx.ts';
import { mqttSink } from './schema-publish-mqtt.ts';
import { sparkplugSink } from './schema-publish-sparkplug.ts';
import { Quantity } from './schema-types.ts';

/** `publish:` as written. */
export const publishSchema = Type.Object(
  {
    node: Type.Optional(
      Type.String({
        minLength: 1,
        description: 'Name of this station for receivers; made from the name of the rig when left out.',
      }),
    ),
    quota: Quantity('size', {
      min: '10 MB',
      max: '1 TB',
      default: '1 GB',
      description: 'Disk for messages that wait; beyond it the oldest are shed and counted.',
    }),
    backlogRate: Type.Integer({
      minimum: 1,
      maximum: 100_000,
      default: 200,
      description: 'Messages per second at which a sink gets what has waited; fresh ones go before.',
    }),
    sinks: Type.Array(Type.Union([influxSink, mqttSink, sparkplugSink]), { minItems: 1, maxItems: 16 }),
  },
  {
    additionalProperties: false,
    description: 'Servers that get summaries, events and verdicts. Left out: nothing leaves this machine.',
  },
);

export type PublishText = Static<typeof publishSchema>;
export type SinkText = PublishText['sinks'][number];
