/** A sink that writes line protocol over HTTP, as written in the file. */
import Type, { type Static } from 'typebox';
import { Secret, sinkKeys } from './schema-publish-sink.ts';
import { Quantity } from './schema-types.ts';

export const influxSink = Type.Object(
  {
    kind: Type.Literal('influx'),
    ...sinkKeys,
    url: Type.String({ minLength: 1, description: 'For example https://history.example:8086.' }),
    api: Type.Enum(['v1', 'v2'], {
      default: 'v2',
      description: '`v2`: /api/v2/write, also for servers of version 3; `v1`: /write?db=.',
    }),
    organisation: Type.String({ default: '', description: 'v2 only.' }),
    bucket: Type.String({ minLength: 1, description: 'Bucket, or with v1 the database.' }),
    token: Type.Optional(Secret('v2: the token.')),
    user: Type.Optional(Type.String({ minLength: 1, description: 'v1 only.' })),
    password: Type.Optional(Secret('v1: the password.')),
    authority: Type.Optional(
      Type.String({
        minLength: 1,
        description: "PEM file of the authority that signed the server's certificate.",
      }),
    ),
    timeout: Quantity('time', {
      min: '1 s',
      max: '60 s',
      default: '10 s',
      description: 'A request that is not answered for so long has failed.',
    }),
  },
  { additionalProperties: false },
);

export type InfluxSinkText = Static<typeof influxSink>;
