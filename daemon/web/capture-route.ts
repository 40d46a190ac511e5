/** Makes an event of a past window at the request of a page. */
import type { FastifyInstance } from 'fastify';
import Type from 'typebox';
import { Allowance } from '../allowance.ts';
import { BusyError } from '../errors.ts';
import { asks, captures } from '../store/capture-limits.ts';
import { type Capture, type CaptureRequest, captureRequest, type Kept } from '../store/capture-request.ts';
import { withoutPaths } from '../without-paths.ts';
import { answerBusy } from './failures.ts';
import { problem, text } from './schema.ts';

const judged = Type.Object({ event: text('Id of the new event; its verdict is there already.') });
const kept = Type.Object({
  event: text('Id of the new event, which is safe.'),
  trouble: text('Why its verdict is not written yet. Judging is repeated automatically.'),
});

/** Adds POST /api/events, with the limits of `capture-limits.ts`. `now_s`: monotonic. */
export function captureRoute(app: FastifyInstance, capture: Capture | undefined, now_s: () => number): void {
  const asked = new Allowance(asks.burst, asks.refill_s, now_s);
  const made = new Allowance(captures.burst, captures.refill_s, now_s);

  /** Only what was made counts as made. */
  async function within(wanted: CaptureRequest, capture: Capture): Promise<Kept> {
    if (!asked.take())
      throw new BusyError(`more than one in ${asks.refill_s} s are not read`, asked.wait_s());
    if (!made.take()) throw new BusyError(`${captures.words}, are not made`, made.wait_s());
    try {
      return await capture(wanted);
    } catch (error) {
      made.giveBack();
      throw error;
    }
  }

  app.post<{ Body: CaptureRequest }>(
    '/api/events',
    {
      schema: {
        body: captureRequest,
        tags: ['events'],
        summary: 'Make an event of a past window of the disk ring.',
        response: { 201: judged, 202: kept, 409: problem, 429: problem, 503: problem },
      },
    },
    async (request, reply) => {
      if (capture === undefined) return reply.code(503).send({ error: 'This server has no ring.' });
      try {
        const { event, trouble } = await within(request.body, capture);
        if (trouble === null) return await reply.code(201).send({ event });
        return await reply.code(202).send({ event, trouble: withoutPaths(trouble) });
      } catch (error) {
        if (error instanceof BusyError) return answerBusy(reply, 429, error);
        throw error;
      }
    },
  );
}
