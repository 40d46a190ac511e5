/** Trends of channels and the daily record of legs. */

import { setImmediate as nextTurn } from 'node:timers/promises';
import type { FastifyInstance } from 'fastify';
import Type, { type Static } from 'typebox';
import type { Clock } from '../../drivers/clock.ts';
import { type LegDay, legDays } from '../trends/leg-days.ts';
import { dayOf } from '../trends/leg-load.ts';
import type { Trends } from '../trends/trends.ts';
import type { EventLibrary } from './event-library.ts';
import { instant, tag } from './query.ts';
import type { RigSource } from './rig-source.ts';
import { problem } from './schema.ts';
import { legDaysAnswer, trendAnswer, trendsAnswer } from './trend-answers.ts';

const trendParams = Type.Object({ channel: tag });
const trendQuery = Type.Object(
  {
    from: Type.Optional(instant('ms since 1970; a day before `to` when left out')),
    to: Type.Optional(instant('ms since 1970; now when left out')),
    points: Type.Optional(Type.Integer({ minimum: 1, maximum: 5000, default: 1000 })),
  },
  { additionalProperties: false },
);

const legParams = Type.Object({ id: tag });
const daysQuery = Type.Object(
  {
    from: Type.Optional(instant('ms since 1970; 30 days before `to` when left out')),
    to: Type.Optional(instant('ms since 1970, not included; now when left out')),
  },
  { additionalProperties: false },
);

const day_ms = 86_400_000;
/** Longest period of one answer of daily records, in days. */
const mostDays = 800;

export interface TrendRouteSources {
  readonly library: EventLibrary;
  readonly state: RigSource;
  readonly trends: Trends | null;
  readonly clock: Clock;
}

/** Adds `/api/trends`, `/api/trends/:channel` and `/api/legs/:id/days`. */
export function trendRoutes(
  app: FastifyInstance,
  { clock, library, state, trends }: TrendRouteSources,
): void {
  app.get(
    '/api/trends',
    {
      schema: {
        tags: ['trends'],
        summary: 'Channels that have a trend.',
        response: { 200: trendsAnswer },
      },
    },
    async () => ({ channels: trends?.channels() ?? [] }),
  );

  app.get<{ Params: Static<typeof trendParams>; Querystring: Static<typeof trendQuery> }>(
    '/api/trends/:channel',
    {
      schema: {
        tags: ['trends'],
        summary: 'Trend of a channel at the finest level that fits the number of points.',
        params: trendParams,
        querystring: trendQuery,
        response: { 200: trendAnswer, 400: problem, 404: problem },
      },
    },
    async (request, reply) => {
      const { channel } = request.params;
      const { to = clock.wall_ms(), from = to - day_ms, points = 1000 } = request.query;
      if (from >= to) return reply.code(400).send({ error: `from ${from} is not before to ${to}.` });
      const trend = trends?.trend(channel, from, to, points) ?? null;
      return trend ?? reply.code(404).send({ error: `No data for ${channel} yet.` });
    },
  );

  app.get<{ Params: Static<typeof legParams>; Querystring: Static<typeof daysQuery> }>(
    '/api/legs/:id/days',
    {
      schema: {
        tags: ['trends'],
        summary: 'Daily record of a leg: trips, worst surge, cycles, downtime; UTC days, oldest first.',
        params: legParams,
        querystring: daysQuery,
        response: { 200: legDaysAnswer, 400: problem, 404: problem },
      },
    },
    async (request, reply) => {
      const { id } = request.params;
      const leg = state.config?.legs.find((each) => each.id === id);
      if (leg === undefined || trends === null) {
        return reply.code(404).send({ error: `There is no daily record of a leg "${id}".` });
      }
      const { to = clock.wall_ms(), from = to - 30 * day_ms } = request.query;
      if (from >= to || to - from > mostDays * day_ms) {
        return reply
          .code(400)
          .send({ error: `A period of up to ${mostDays} days is allowed, from before to.` });
      }
      const speeds = Map.groupBy(await library.waveSpeedRows(id), ({ wall_ms }) => dayOf(wall_ms));
      const now_ms = clock.wall_ms();
      const days: LegDay[] = [];
      for (let at_ms = from - (from % day_ms); at_ms < to && at_ms <= now_ms; at_ms += day_ms) {
        // Whole days, as their cycles and downtime are.
        const events = await library.between(at_ms, at_ms + day_ms);
        const waveSpeeds = speeds.get(dayOf(at_ms)) ?? [];
        const sources = {
          leg: id,
          outlet: leg.outlet.channel,
          events,
          waveSpeeds,
          trends: trends.store,
          now_ms,
        };
        days.push(...legDays(sources, at_ms, at_ms));
        // Two years of days take seconds: others have their turn between two of them, and nobody waits for the rest.
        await nextTurn();
        if (request.raw.socket.destroyed) return reply;
      }
      return { leg: id, days };
    },
  );
}
