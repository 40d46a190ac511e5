/** Makes an event of a past window at the request of a page. */
import type { FastifyInstance } from 'fastify';
import Type from 'typebox';
import { DataError } from '../errors.ts';
import { type Capture, type CaptureRequest, captureRequest } from '../store/capture-request.ts';
import { problem, text } from './answers.ts';

const judged = Type.Object({ event: text('Id of the new event; its verdict is there already.') });
const kept = Type.Object({
  event: text('Id of the new event, which is safe.'),
  trouble: text('Why its verdict is not written yet. It is judged again without being asked.'),
});

/** Adds POST /api/events. */
export function captureRoute(app: FastifyInstance, capture: Capture | undefined): void {
  app.post<{ Body: CaptureRequest }>(
    '/api/events',
    {
      schema: {
        body: captureRequest,
        tags: ['events'],
        summary: 'Make an event of a past window of the disk ring.',
        response: { 201: judged, 202: kept, 409: problem, 503: problem },
      },
    },
    async (request, reply) => {
      if (capture === undefined) return reply.code(503).send({ error: 'This server has no ring.' });
      try {
        const { event, trouble } = await capture(request.body);
        if (trouble === null) return await reply.code(201).send({ event });
        return await reply.code(202).send({ event, trouble });
      } catch (error) {
        if (error instanceof DataError) return reply.code(409).send({ error: error.message });
        throw error;
      }
    },
  );
}
