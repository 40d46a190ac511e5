/** Keys that every sink of the `publish:` section has, and the word for a secret. */
import Type, { type Static } from 'typebox';
import { publishKinds } from './publish.ts';
import { idSchema } from './schema-channel.ts';
import { Text } from './schema-types.ts';

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

/** A text of a form that is told in words: `allowed` completes "... is allowed". */
export function Formed(
  pattern: RegExp,
  allowed: string,
  options: { readonly description: string; readonly default?: string },
) {
  return Text<string>((text) => (pattern.test(text) ? { value: text } : { why: `${allowed} is allowed` }), {
    ...options,
    pattern: pattern.source,
  });
}

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
        Type.String({ pattern: '^[A-Za-z_][A-Za-z0-9_]*$', description: 'Variable of the environment.' }),
      ),
    },
    { additionalProperties: false, description },
  );

export type SecretText = Static<ReturnType<typeof Secret>>;
