/** A sink that is a Sparkplug B edge node, as written in the file. */
import Type, { type Static } from 'typebox';
import { brokerKeys } from './schema-publish-broker.ts';
import { sinkKeys } from './schema-publish-sink.ts';
import { Formed } from './schema-types.ts';

const part = /^[^+/#\s][^+/#]{0,62}$/;
const allowed = 'a name of 1 to 63 characters without "+", "/" and "#"';

export const sparkplugSink = Type.Object(
  {
    kind: Type.Literal('sparkplug'),
    ...sinkKeys,
    ...brokerKeys,
    group: Formed(part, allowed, { description: 'Group of the edge node; its own name is `node`.' }),
    primaryHost: Type.Optional(
      Formed(part, allowed, {
        description: 'Nothing is sent until this host is online; until then everything waits in the outbox.',
      }),
    ),
  },
  { additionalProperties: false },
);

export type SparkplugSinkText = Static<typeof sparkplugSink>;
