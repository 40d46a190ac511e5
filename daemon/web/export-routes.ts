/** Downloads: an event as CSV, Parquet or JSON, streamed; and how large each will be, asked first. */
import { Readable } from 'node:stream';
import type { FastifyInstance, FastifyReply } from 'fastify';
import Type, { type Static } from 'typebox';
import type { Exported } from '../report/exported.ts';
import { estimate_bytes, exportFormats, formatWriters } from '../report/formats.ts';
import type { EventLibrary } from './event-library.ts';
import { eventId, windowOf, windowProperties } from './query.ts';

const params = Type.Object({ id: eventId });
const query = Type.Object(windowProperties, { additionalProperties: false });
type Query = Static<typeof query>;

const estimate = Type.Object({
  samples: Type.Integer({ description: 'Samples of all channels.' }),
  csv_bytes: Type.Integer(),
  parquet_bytes: Type.Integer(),
  json_bytes: Type.Integer(),
});

/** Adds `/api/events/:id/export` (the estimate) and `/api/events/:id/export.<format>`. */
export function exportRoutes(app: FastifyInstance, library: EventLibrary): void {
  const find = async (id: string, asked: Query): Promise<Exported | null> =>
    (await library.exported?.(id, windowOf(asked))) ?? null;

  app.get<{ Params: Static<typeof params>; Querystring: Query }>(
    '/api/events/:id/export',
    {
      schema: {
        tags: ['exports'],
        summary: 'Size of an export before it is made.',
        params,
        querystring: query,
        response: { 200: estimate },
      },
    },
    async (request, reply) => {
      const exported = await find(request.params.id, request.query);
      return exported === null ? nothing(reply, library, request.params.id) : estimateOf(exported);
    },
  );

  for (const format of exportFormats) {
    app.get<{ Params: Static<typeof params>; Querystring: Query }>(
      `/api/events/:id/export.${format}`,
      {
        schema: {
          tags: ['exports'],
          summary: `The samples of an event as ${format === 'parquet' ? 'Parquet' : format.toUpperCase()}.`,
          params,
          querystring: query,
          produces: [formatWriters[format].contentType],
        },
      },
      async (request, reply) => {
        const { id } = request.params;
        const exported = await find(id, request.query);
        if (exported === null) return nothing(reply, library, id);
        const { contentType, write } = formatWriters[format];
        reply.header('content-disposition', `attachment; filename="${id}.${format}"`);
        reply.header('x-estimated-bytes', String(estimate_bytes(exported.samples, format)));
        return reply.type(contentType).send(Readable.from(write(exported), { objectMode: false }));
      },
    );
  }
}

/** The estimate of every format. */
export function estimateOf({ samples }: Exported): Static<typeof estimate> {
  return {
    samples,
    csv_bytes: estimate_bytes(samples, 'csv'),
    parquet_bytes: estimate_bytes(samples, 'parquet'),
    json_bytes: estimate_bytes(samples, 'json'),
  };
}

async function nothing(reply: FastifyReply, library: EventLibrary, id: string) {
  const isKnown = (await library.get(id)) !== null;
  const error = isKnown
    ? `The samples of event "${id}" are not kept any more.`
    : `There is no event "${id}".`;
  return reply.code(404).send({ error });
}
