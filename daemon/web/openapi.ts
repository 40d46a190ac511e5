/** The description of the API (OpenAPI 3.1), generated from the schemas of the routes, so that it cannot lag behind them. */
import swagger from '@fastify/swagger';
import type { FastifyInstance } from 'fastify';
import { version } from '../version.ts';

/** To be added before the first route. The description stands at `/api/openapi.json`. */
export async function describeApi(app: FastifyInstance): Promise<void> {
  await app.register(swagger, {
    openapi: {
      openapi: '3.1.0',
      info: {
        title: 'Tripwave',
        version,
        description:
          'Pump trips, their records and verdicts. Everything is SI, pressures are gauge, times are in s after the trip ' +
          'unless a name says otherwise. The API records and shows; it is no safety system and stops no pump.',
        license: { name: 'MIT', identifier: 'MIT' },
      },
      tags: [
        { name: 'rig', description: 'What is recorded, and how it is doing now.' },
        { name: 'events', description: 'Recorded trips and their verdicts.' },
        { name: 'trends', description: 'Years of rollups, and legs day by day.' },
        { name: 'exports', description: 'Samples as files.' },
        { name: 'publishing', description: 'Receivers of what is published.' },
        { name: 'health', description: 'For machines that watch this one.' },
      ],
    },
    // Pages and assets are no API.
    transform: ({ schema, url }) => ({
      schema: isApi(url) ? schema : { ...schema, hide: true },
      url,
    }),
  });
  // Schemas describe answers and never change them: a number that is not in a schema is still sent.
  app.setSerializerCompiler(() => (data) => JSON.stringify(data));
  app.get(
    '/api/openapi.json',
    { schema: { tags: ['health'], summary: 'This description.', response: { 200: { type: 'object' } } } },
    async () => app.swagger(),
  );
}

/** Whether a route answers data; everything else is a page or a file of one. */
export function isApi(url: string): boolean {
  return url.startsWith('/api/') || ['/healthz', '/readyz', '/metrics'].includes(url);
}
