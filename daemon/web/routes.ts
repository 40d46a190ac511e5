/** The HTTP API. Every parameter has a schema; an id that is not of the right form never reaches the store. */
import type { FastifyInstance } from 'fastify';
import Type, { type Static } from 'typebox';
import { csvLines } from './csv.ts';
import type { EventLibrary } from './event-library.ts';
import type { LiveHub } from './live.ts';
import type { RigState } from './rig-state.ts';
import { slimRow } from './views.ts';

/** An event id is a folder name, never a path: letters, digits, dash, underscore, and single dots inside. */
export const eventIdPattern = '^[A-Za-z0-9][A-Za-z0-9_-]*(\\.[A-Za-z0-9_-]+)*$';
const eventId = Type.String({ minLength: 1, maxLength: 80, pattern: eventIdPattern });

const listQuery = Type.Object(
  {
    before: Type.Optional(eventId),
    limit: Type.Integer({ minimum: 1, maximum: 500, default: 50 }),
  },
  { additionalProperties: false },
);

const eventParams = Type.Object({ id: eventId });

const legParams = Type.Object({ id: Type.String({ minLength: 1, maxLength: 80 }) });

const windowProperties = {
  /** Channel ids, comma separated. */
  channels: Type.Optional(Type.String({ minLength: 1, maxLength: 2000 })),
  from: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6 })),
  to: Type.Optional(Type.Number({ minimum: -1e6, maximum: 1e6 })),
};
const traceQuery = Type.Object(
  { ...windowProperties, points: Type.Integer({ minimum: 2, maximum: 20_000, default: 2_000 }) },
  { additionalProperties: false },
);
const exportQuery = Type.Object(windowProperties, { additionalProperties: false });

/** More slices than any record has samples: everything comes as it was recorded. */
const everySample = 10_000_000;

/** What the routes read from. */
export interface RouteSources {
  readonly library: EventLibrary;
  readonly state: RigState;
  readonly hub: LiveHub;
}

type WindowQuery = Static<typeof exportQuery>;

function windowOf(query: WindowQuery): {
  channels: string[] | null;
  from_s: number | null;
  to_s: number | null;
} {
  return {
    channels: query.channels?.split(',').filter((id) => id !== '') ?? null,
    from_s: query.from ?? null,
    to_s: query.to ?? null,
  };
}

function noEvent(id: string): { error: string } {
  return { error: `There is no event "${id}".` };
}

/** Adds the API to the server. What it answers is never cached. */
export function apiRoutes(app: FastifyInstance, { library, state, hub }: RouteSources): void {
  app.addHook('onSend', async (request, reply) => {
    if (request.url.startsWith('/api/')) reply.header('cache-control', 'no-store');
  });

  app.get('/api/rig', async (_request, reply) => {
    if (state.rig !== null) return state.rig;
    return reply
      .code(503)
      .send({ error: 'The recorder has not introduced itself yet; ask again in a moment.' });
  });

  app.get('/api/status', async () => state.view(hub.counters));

  app.get<{ Querystring: Static<typeof listQuery> }>(
    '/api/events',
    { schema: { querystring: listQuery } },
    async (request) => {
      const { before, limit } = request.query;
      const rows = await library.list({ before: before ?? null, limit });
      return { events: rows.map(slimRow) };
    },
  );

  app.get<{ Params: Static<typeof eventParams> }>(
    '/api/events/:id',
    { schema: { params: eventParams } },
    async (request, reply) => {
      const event = await library.get(request.params.id);
      return event ?? reply.code(404).send(noEvent(request.params.id));
    },
  );

  app.get<{ Params: Static<typeof legParams> }>(
    '/api/legs/:id/wave-speed',
    { schema: { params: legParams } },
    async (request, reply) => {
      const { id } = request.params;
      const chart = await library.waveSpeed?.(id);
      return chart ?? reply.code(404).send({ error: `No event has told a wave speed of leg "${id}" yet.` });
    },
  );

  app.get<{ Params: Static<typeof eventParams>; Querystring: Static<typeof traceQuery> }>(
    '/api/events/:id/trace',
    { schema: { params: eventParams, querystring: traceQuery } },
    async (request, reply) => {
      const { id } = request.params;
      const trace = await library.trace(id, { ...windowOf(request.query), points: request.query.points });
      return trace ?? reply.code(404).send(noEvent(id));
    },
  );

  app.get<{ Params: Static<typeof eventParams>; Querystring: WindowQuery }>(
    '/api/events/:id/export.csv',
    { schema: { params: eventParams, querystring: exportQuery } },
    async (request, reply) => {
      const { id } = request.params;
      const [event, trace] = await Promise.all([
        library.get(id),
        library.trace(id, { ...windowOf(request.query), points: everySample }),
      ]);
      if (event === null || trace === null) return reply.code(404).send(noEvent(id));
      reply.header('content-type', 'text/csv; charset=utf-8');
      reply.header('content-disposition', `attachment; filename="${id}.csv"`);
      return reply.send(csvLines(trace, event.rig.channels));
    },
  );
}
