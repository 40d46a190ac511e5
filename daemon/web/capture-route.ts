/** Makes an event of a past window at the request of a page. */
import type { FastifyInstance } from 'fastify';
import Type, { type Static } from 'typebox';
import { DataError } from '../errors.ts';
import { problem, text } from './answers.ts';

/** Cuts the last seconds, or a window on the wall clock, out of the ring; the id of the new event. */
export type Capture = (
  window: { readonly last_s: number } | { readonly from_ms: number; readonly to_ms: number },
) => Promise<string>;

const body = Type.Union([
  Type.Object(
    { last_s: Type.Number({ exclusiveMinimum: 0, maximum: 900, description: 'Up to the newest sample.' }) },
    { additionalProperties: false },
  ),
  Type.Object(
    {
      from_ms: Type.Number({ description: 'Since 1970.' }),
      to_ms: Type.Number({ description: 'Not included.' }),
    },
    { additionalProperties: false },
  ),
]);
const answer = Type.Object({ event: text('Id of the new event; its verdict is there already.') });

/** Adds POST /api/events. */
export function captureRoute(app: FastifyInstance, capture: Capture | undefined): void {
  app.post<{ Body: Static<typeof body> }>(
    '/api/events',
    {
      schema: {
        body,
        tags: ['events'],
        summary: 'Make an event of a past window of the disk ring.',
        response: { 201: answer, 409: problem, 503: problem },
      },
    },
    async (request, reply) => {
      if (capture === undefined) return reply.code(503).send({ error: 'This server has no ring.' });
      try {
        return await reply.code(201).send({ event: await capture(request.body) });
      } catch (error) {
        if (error instanceof DataError) return reply.code(409).send({ error: error.message });
        throw error;
      }
    },
  );
}
