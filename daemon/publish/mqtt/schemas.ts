/** What receivers may rely on: one JSON Schema (2020-12) a topic. A test holds real messages to them and them to the written file. */
import Type, { type TProperties, type TSchema } from 'typebox';
import type { PublishKind } from '../../../config/publish.ts';
import { payloadSchemas } from '../payloads.ts';
import { commandDefinitions } from './command-schemas.ts';

/** A payload as far as a topic needs it. */
interface Described {
  readonly description?: string;
  readonly properties: TProperties;
}

const id = (description: string) => Type.String({ minLength: 1, description });
const closed = { additionalProperties: false };

/** What every message begins with. */
const head = {
  node: id('Name of the station.'),
  boot: id('Run of the recorder that the message comes from.'),
  seq: Type.Integer({
    minimum: 1,
    description:
      '(node, boot, seq) is never used for two messages: drop repeats by it. A jump alone is no loss.',
  }),
  ts: Type.String({ format: 'date-time', description: 'Wall time of the content, UTC.' }),
  historical: Type.Boolean({ description: 'It has waited for this broker, or for its connection.' }),
};

const status = Type.Union(
  [
    Type.Object({ state: Type.Literal('offline') }, closed),
    Type.Object(
      {
        state: Type.Literal('online'),
        node: head.node,
        boot: head.boot,
        software: Type.String(),
        ts: Type.String({ format: 'date-time', description: 'When the station connected, UTC.' }),
      },
      closed,
    ),
  ],
  { description: 'Whether the station is there. Retained; `offline` is also its last will.' },
);

/** Last level of the topic -> schema of its bodies: who, which and when, then the payload as it stands. */
export function topicSchemas(): ReadonlyMap<PublishKind | 'status', TSchema> {
  const schemas = new Map<PublishKind | 'status', TSchema>([['status', status]]);
  const payloads: Readonly<Record<PublishKind, Described>> = payloadSchemas;
  for (const kind of Object.keys(payloads) as PublishKind[]) {
    const { description = '', properties } = payloads[kind];
    schemas.set(kind, Type.Object({ ...head, ...properties }, { description, ...closed }));
  }
  return schemas;
}

/** All of them as one document with a definition a topic, as it stands in config/mqtt.schema.json. */
export function topicSchemaText(): string {
  const document = {
    $schema: 'https://json-schema.org/draft/2020-12/schema',
    title:
      'What Tripwave publishes as JSON, by the last level of the topic; commands and answers where they are switched on',
    $defs: { ...Object.fromEntries(topicSchemas()), ...commandDefinitions() },
  };
  return `${JSON.stringify(document, null, 2)}\n`;
}
