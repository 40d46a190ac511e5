/** Who gets what is published, and what they refused. */
import type { FastifyInstance } from 'fastify';
import Type, { type Static } from 'typebox';
import { sinkAnswer } from './answers.ts';
import type { RouteSources } from './routes.ts';
import { text } from './schema.ts';

const sinksAnswer = Type.Object({ sinks: Type.Array(sinkAnswer) });
const lettersAnswer = Type.Object({
  letters: Type.Array(
    Type.Object({
      sink: text(),
      seq: Type.Number({ description: 'Number of the message.' }),
      kind: text(),
      at_ms: Type.Number({ description: 'Instant of its content, since 1970.' }),
      rejected_ms: Type.Number({ description: 'Since 1970.' }),
      why: text("The receiver's words."),
      sent: text('What was refused, as it was sent.'),
    }),
  ),
});
const lettersQuery = Type.Object(
  { limit: Type.Integer({ minimum: 1, maximum: 1000, default: 100 }) },
  { additionalProperties: false },
);

/** Adds `/api/sinks` and `/api/sinks/dead-letters`; both are empty lists where nothing is published. */
export function sinkRoutes(app: FastifyInstance, { state }: RouteSources): void {
  app.get(
    '/api/sinks',
    {
      schema: {
        tags: ['publishing'],
        summary: 'Receivers of what is published: state, why, next try, and what waits for them.',
        response: { 200: sinksAnswer },
      },
    },
    async () => ({ sinks: state.receivers?.views() ?? [] }),
  );

  app.get<{ Querystring: Static<typeof lettersQuery> }>(
    '/api/sinks/dead-letters',
    {
      schema: {
        querystring: lettersQuery,
        tags: ['publishing'],
        summary: 'What receivers refused for good, newest first.',
        response: { 200: lettersAnswer },
      },
    },
    async (request) => ({ letters: state.receivers?.deadLetters(request.query.limit) ?? [] }),
  );
}
