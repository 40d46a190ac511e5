/** What machines ask: is it alive, can it serve, how is it doing. */
import type { FastifyInstance } from 'fastify';
import Type from 'typebox';
import { metricsText, processMetrics } from './prometheus.ts';
import type { RouteSources } from './routes.ts';

const readiness = Type.Object({
  ready: Type.Boolean(),
  reasons: Type.Array(Type.String(), { description: 'Why not, each with what to do; empty when ready.' }),
});

/** Adds `/healthz`, `/readyz` and `/metrics`. */
export function healthRoutes(app: FastifyInstance, { library, state, hub }: RouteSources): void {
  const ofProcess = processMetrics();
  app.addHook('onClose', () => ofProcess.clear());

  app.get(
    '/healthz',
    {
      schema: {
        tags: ['health'],
        summary: 'The server process is alive.',
        response: { 200: Type.Object({ ok: Type.Literal(true) }) },
      },
    },
    async () => ({ ok: true }) as const,
  );

  app.get(
    '/readyz',
    {
      schema: {
        tags: ['health'],
        summary: 'The recorder reports and the event store can be used.',
        response: { 200: readiness, 503: readiness },
      },
    },
    async (_request, reply) => {
      const reasons = state.unready();
      return reply.code(reasons.length === 0 ? 200 : 503).send({ ready: reasons.length === 0, reasons });
    },
  );

  app.get(
    '/metrics',
    {
      schema: {
        tags: ['health'],
        summary: 'Counters and present values for Prometheus, text format 0.0.4.',
        produces: ['text/plain'],
        response: { 200: Type.String() },
      },
    },
    async (_request, reply) => {
      const [newest = null] = await library.list({ before: null, limit: 1 });
      const status = state.view(hub.counters);
      const summary = status.phase === 'recorder-gone' ? null : state.summary;
      const text = await metricsText(
        { rig: state.rig, status, summary, viewers: hub.viewers, newest },
        ofProcess,
      );
      return reply.type('text/plain; version=0.0.4; charset=utf-8').send(text);
    },
  );
}
