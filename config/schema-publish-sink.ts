/** Keys that every sink of the `publish:` section has, and the word for a secret. */
import Type, { type Static } from 'typebox';
import { publishKinds } from './publish.ts';
import { idSchema } from './schema-channel.ts';
import { Formed } from './schema-types.ts';

/** Spread into the object of each kind of sink. */
export const sinkKeys = {
  name: idSchema('Name of the sink, unique in the file; its place in the queue is kept under it.'),
  send: Type.Optional(
    Type.Array(Type.Enum([...publishKinds]), {
      minItems: 1,
      maxItems: publishKinds.length,
      description: 'Kinds of messages that it gets; all when left out.',
    }),
  ),
};

/** A secret never stands in the rig file: every event keeps a copy of that. */
export const Secret = (description: string) =>
  Type.Object(
    {
      file: Type.Optional(
        Type.String({
          minLength: 1,
          description: 'File whose first line it is, readable by this user alone.',
        }),
      ),
      variable: Type.Optional(
        Formed(/^[A-Za-z_][A-Za-z0-9_]*$/, 'a name of letters, digits and "_", no digit first,', {
          description: 'Variable of the environment.',
        }),
      ),
    },
    { additionalProperties: false, description },
  );

export type SecretText = Static<ReturnType<typeof Secret>>;
