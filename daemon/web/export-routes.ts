/** Downloads: an event as CSV, Parquet or JSON, streamed; and how large each will be, asked first. */
import { Readable } from 'node:stream';
import type { FastifyInstance, FastifyReply } from 'fastify';
import Type, { type Static } from 'typebox';
import { DataError } from '../errors.ts';
import { exportWindow } from '../report/export-window.ts';
import type { Exported } from '../report/exported.ts';
import { type ExportFormat, estimate_bytes, exportFormats, formatWriters } from '../report/formats.ts';
import { verdictCsv, verdictJson, verdictParquet, verdictRows } from '../report/verdict-table.ts';
import { problem } from './answers.ts';
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
        return send(reply, exported, `${id}.${format}`, format);
      },
    );
  }
}

const instant = (description: string) => Type.Integer({ minimum: 0, maximum: 8.64e15, description });
const windowQuery = Type.Object(
  {
    from: instant('ms since 1970'),
    to: instant('ms since 1970, not included'),
    channels: windowProperties.channels,
  },
  { additionalProperties: false },
);
const verdictQuery = Type.Object(
  {
    from: Type.Optional(instant('ms since 1970')),
    to: Type.Optional(instant('ms since 1970, not included')),
  },
  { additionalProperties: false },
);

/** Adds `/api/window/export` (the estimate) and `/api/window/export.<format>`: any stretch that the disk ring still has. */
export function windowRoutes(app: FastifyInstance, dataFolder: () => string | null): void {
  const find = (asked: Static<typeof windowQuery>): Promise<Exported> => {
    const folder = dataFolder();
    if (folder === null)
      throw new DataError('the recorder has not introduced itself yet; ask again in a moment');
    if (asked.from >= asked.to) throw new DataError(`from ${asked.from} is not before to ${asked.to}`);
    const channels = asked.channels?.split(',').filter((id) => id !== '') ?? null;
    return exportWindow(folder, asked.from, asked.to, channels);
  };
  const refused = (reply: FastifyReply, error: unknown) => {
    if (error instanceof DataError) return reply.code(404).send({ error: error.message });
    throw error;
  };

  app.get<{ Querystring: Static<typeof windowQuery> }>(
    '/api/window/export',
    {
      schema: {
        tags: ['exports'],
        summary: 'Size of an export of a stretch of the disk ring before it is made.',
        querystring: windowQuery,
        response: { 200: estimate, 404: problem },
      },
    },
    async (request, reply) => {
      try {
        return estimateOf(await find(request.query));
      } catch (error) {
        return refused(reply, error);
      }
    },
  );

  for (const format of exportFormats) {
    app.get<{ Querystring: Static<typeof windowQuery> }>(
      `/api/window/export.${format}`,
      {
        schema: {
          tags: ['exports'],
          summary: `A stretch of the disk ring as ${format === 'parquet' ? 'Parquet' : format.toUpperCase()}.`,
          querystring: windowQuery,
          produces: [formatWriters[format].contentType],
        },
      },
      async (request, reply) => {
        try {
          const exported = await find(request.query);
          const name = `${new Date(request.query.from).toISOString().replace(/[-:]|\.\d+/g, '')}.${format}`;
          return send(reply, exported, name, format);
        } catch (error) {
          return refused(reply, error);
        }
      },
    );
  }
}

/** Adds `/api/verdicts.csv`, `.json` and `.parquet`: the numbers of many events as one table, a row a leg. */
export function verdictRoutes(app: FastifyInstance, library: EventLibrary): void {
  const find = async ({ from = 0, to = 8.64e15 }: Static<typeof verdictQuery>) =>
    verdictRows((await library.between?.(from, to)) ?? []);
  const schema = (summary: string, contentType: string) => ({
    tags: ['exports'],
    summary,
    querystring: verdictQuery,
    produces: [contentType],
  });
  app.get<{ Querystring: Static<typeof verdictQuery> }>(
    '/api/verdicts.csv',
    {
      schema: schema('Verdicts as CSV; digits follow the uncertainty.', formatWriters.csv.contentType),
    },
    async (request, reply) =>
      reply
        .type(formatWriters.csv.contentType)
        .header('content-disposition', 'attachment; filename="verdicts.csv"')
        .send(Readable.from(verdictCsv(await find(request.query)), { objectMode: false })),
  );
  app.get<{ Querystring: Static<typeof verdictQuery> }>(
    '/api/verdicts.json',
    { schema: schema('Verdicts as JSON.', formatWriters.json.contentType) },
    async (request, reply) =>
      reply
        .type(formatWriters.json.contentType)
        .send(Readable.from(verdictJson(await find(request.query)), { objectMode: false })),
  );
  app.get<{ Querystring: Static<typeof verdictQuery> }>(
    '/api/verdicts.parquet',
    { schema: schema('Verdicts as Parquet.', formatWriters.parquet.contentType) },
    async (request, reply) =>
      reply
        .type(formatWriters.parquet.contentType)
        .header('content-disposition', 'attachment; filename="verdicts.parquet"')
        .send(Buffer.from(await verdictParquet(await find(request.query)))),
  );
}

function send(reply: FastifyReply, exported: Exported, name: string, format: ExportFormat) {
  const { contentType, write } = formatWriters[format];
  reply.header('content-disposition', `attachment; filename="${name}"`);
  reply.header('x-estimated-bytes', String(estimate_bytes(exported.samples, format)));
  return reply.type(contentType).send(Readable.from(write(exported), { objectMode: false }));
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
