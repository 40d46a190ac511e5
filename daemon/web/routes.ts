/** The HTTP API. Every parameter has a schema; an id that is not of the right form never reaches the store. */

import type { FastifyInstance } from 'fastify';
import Type, { type Static, type TSchema } from 'typebox';
import type { Clock } from '../../drivers/clock.ts';
import type { Trends } from '../trends/trends.ts';
import { waveSpeedChart } from '../trends/wave-speed-chart.ts';
import { rigAnswer, statusAnswer } from './answers.ts';
import type { Downloads } from './downloads.ts';
import { eventAnswer, eventsAnswer, traceAnswer } from './event-answers.ts';
import type { EventLibrary } from './event-library.ts';
import { exportRoutes, verdictRoutes, windowRoutes } from './export-routes.ts';
import type { LiveHub } from './live.ts';
import { eventId, tag, windowOf, windowProperties } from './query.ts';
import type { RigSource } from './rig-source.ts';
import { problem } from './schema.ts';
import { waveSpeedAnswer } from './trend-answers.ts';
import { slimRow } from './views.ts';

const listQuery = Type.Object(
  {
    before: Type.Optional(eventId),
    limit: Type.Optional(Type.Integer({ minimum: 1, maximum: 500, default: 50 })),
  },
  { additionalProperties: false },
);

const eventParams = Type.Object({ id: eventId });

const legParams = Type.Object({ id: tag });

const traceQuery = Type.Object(
  {
    ...windowProperties,
    points: Type.Optional(Type.Integer({ minimum: 2, maximum: 20_000, default: 2_000 })),
  },
  { additionalProperties: false },
);
/** What the routes read from. */
export interface RouteSources {
  readonly library: EventLibrary;
  readonly state: RigSource;
  readonly hub: LiveHub;
  /** Null or absent: no trends are kept. */
  readonly trends?: Trends | null;
}

function noEvent(id: string): { error: string } {
  return { error: `There is no event "${id}".` };
}

/** The part of a schema that the description of the API is made of. */
function says(tag: string, summary: string, response: Readonly<Record<number, TSchema>>) {
  return { tags: [tag], summary, response };
}

/** Adds the API to the server. */
export function apiRoutes(
  app: FastifyInstance,
  downloads: Downloads,
  { clock, library, state, hub }: RouteSources & { readonly clock: Clock },
): void {
  app.get(
    '/api/rig',
    { schema: says('rig', 'The rig as configured now.', { 200: rigAnswer, 503: problem }) },
    async (_request, reply) => {
      if (state.rig !== null) return state.rig;
      return reply.code(503).send({ error: 'The recorder is still starting; try again in a moment.' });
    },
  );

  app.get(
    '/api/status',
    { schema: says('rig', 'Phase, lines, counters and what is wrong now.', { 200: statusAnswer }) },
    async () => state.view(hub.counters),
  );

  app.get<{ Querystring: Static<typeof listQuery> }>(
    '/api/events',
    {
      schema: {
        querystring: listQuery,
        ...says('events', 'Events, newest first, in pages.', { 200: eventsAnswer }),
      },
    },
    async (request) => {
      const { before, limit = 50 } = request.query;
      const rows = await library.list({ before: before ?? null, limit });
      return { events: rows.map(slimRow) };
    },
  );

  app.get<{ Params: Static<typeof eventParams> }>(
    '/api/events/:id',
    {
      schema: {
        params: eventParams,
        ...says('events', 'One event with its newest verdict.', { 200: eventAnswer, 404: problem }),
      },
    },
    async (request, reply) => {
      const event = await library.get(request.params.id);
      return event ?? reply.code(404).send(noEvent(request.params.id));
    },
  );

  app.get<{ Params: Static<typeof legParams> }>(
    '/api/legs/:id/wave-speed',
    {
      schema: {
        params: legParams,
        ...says(
          'events',
          'Control chart of the wave speed of a leg, a point a day; no days before its first event.',
          {
            200: waveSpeedAnswer,
            404: problem,
          },
        ),
      },
    },
    async (request, reply) => {
      const { id } = request.params;
      const chart = await library.waveSpeed(id);
      if (chart !== null) return chart;
      // A leg of the rig without an event yet is no error.
      if (state.rig?.legs.some((leg) => leg.id === id)) return waveSpeedChart(id, []);
      return reply.code(404).send({ error: `There is no leg "${id}" in this rig or its events.` });
    },
  );

  app.get<{ Params: Static<typeof eventParams>; Querystring: Static<typeof traceQuery> }>(
    '/api/events/:id/trace',
    {
      schema: {
        params: eventParams,
        querystring: traceQuery,
        ...says('events', 'Samples of an event for a picture: min and max of slices.', {
          200: traceAnswer,
          404: problem,
        }),
      },
    },
    async (request, reply) => {
      const { id } = request.params;
      const trace = await library.trace(id, {
        ...windowOf(request.query),
        points: request.query.points ?? 2_000,
      });
      return trace ?? reply.code(404).send(noEvent(id));
    },
  );

  exportRoutes(app, downloads, library);
  windowRoutes(app, downloads, () => state.config?.dataFolder ?? null);
  verdictRoutes(app, library, clock);
}
