/** Short words for the schemas of answers. */
import Type, { type TSchema } from 'typebox';

export const text = (description = '') => Type.String(description === '' ? {} : { description });
export const number = (description = '') => Type.Number(description === '' ? {} : { description });
export const orNull = <Schema extends TSchema>(schema: Schema) => Type.Union([schema, Type.Null()]);
/** One of a few words. */
export const oneOf = <const Words extends readonly string[]>(words: Words, description = '') =>
  Type.Unsafe<Words[number]>(Type.Enum([...words], description === '' ? {} : { description }));
export const counters = Type.Record(Type.String(), Type.Number(), {
  description: 'Counts since the process started; they only grow.',
});

/** What every refusal carries. */
export const problem = Type.Object({ error: text('What is wrong, and what is allowed or to be done.') });
