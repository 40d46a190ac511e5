/** What machines ask: is it alive, can it serve, how is it doing. */
import type { FastifyInstance } from 'fastify';
import Type from 'typebox';
import { disk, type Files, messageOf } from '../store/files.ts';
import { withoutPaths } from '../without-paths.ts';
import { metricsText, processMetrics } from './prometheus.ts';
import type { RouteSources } from './routes.ts';

const readiness = Type.Object({
  ready: Type.Boolean(),
  reasons: Type.Array(Type.String(), { description: 'Why not, each with what to do; empty when ready.' }),
});

/** Less than this is no room for one event, in bytes. */
const least_bytes = 16e6;

/** Looked at anew each time: what was refused yesterday may pass, and what passed a moment ago may not. Null when there is room. */
async function lackOfRoom(folder: string | undefined, space: Files['space']): Promise<string | null> {
  if (folder === undefined) return null;
  try {
    const { free_bytes } = await space(folder);
    if (free_bytes >= least_bytes) return null;
    return `The data folder has room for ${(free_bytes / 1e6).toFixed(1)} MB; an event may take ${least_bytes / 1e6} MB. Make room on the disk.`;
  } catch (error) {
    return `The data folder cannot be used: ${withoutPaths(messageOf(error))}. Check that it is there and belongs to this user.`;
  }
}

export interface HealthSources extends RouteSources {
  /** Absent: asks the system. */
  readonly space?: Files['space'];
}

/** Adds `/healthz`, `/readyz` and `/metrics`. */
export function healthRoutes(app: FastifyInstance, { library, state, hub, space }: HealthSources): void {
  const ofProcess = processMetrics();
  app.addHook('onClose', () => ofProcess.clear());

  app.get(
    '/healthz',
    {
      schema: {
        tags: ['health'],
        summary: 'The server process runs.',
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
      const noRoom = await lackOfRoom(state.config?.dataFolder, space ?? disk.space);
      const reasons = [...state.unready(), ...(noRoom === null ? [] : [noRoom])];
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
