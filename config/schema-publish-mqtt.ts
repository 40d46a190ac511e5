/** A sink that publishes JSON to a message broker, as written in the file. */
import Type, { type Static } from 'typebox';
import { commandNames } from './publish.ts';
import { brokerKeys } from './schema-publish-broker.ts';
import { sinkKeys } from './schema-publish-sink.ts';
import { Formed } from './schema-types.ts';

export const mqttSink = Type.Object(
  {
    kind: Type.Literal('mqtt'),
    ...sinkKeys,
    ...brokerKeys,
    topic: Formed(
      /^[A-Za-z0-9_-]+(\/[A-Za-z0-9_-]+)*$/,
      'names with "/" between them, without "+" and "#",',
      {
        default: 'tripwave',
        description: 'What all topics begin with; the name of the node follows.',
      },
    ),
    commands: Type.Array(Type.Enum([...commandNames]), {
      default: [],
      maxItems: commandNames.length,
      description:
        'Commands accepted below `<topic>/<node>/command` from anyone who may publish there: `capture` makes an event of a past window, `status` sends the state again.',
    }),
  },
  { additionalProperties: false },
);

export type MqttSinkText = Static<typeof mqttSink>;
