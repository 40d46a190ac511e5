/** Types out of schemas, for data that nobody changes. */
import type { Static, TSchema } from 'typebox';

/** The same, read only throughout. */
export type DeepReadonly<T> = T extends object ? { readonly [K in keyof T]: DeepReadonly<T[K]> } : T;

/** What a schema describes, read only throughout. */
export type Frozen<Schema extends TSchema> = DeepReadonly<Static<Schema>>;
