/** The description of the API, checked by an independent validator and against the routes themselves. */
import { Validator } from '@seriousme/openapi-schema-validator';
import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { RigState } from '../../daemon/server/rig-state.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';

let app: FastifyInstance;
interface Operation {
  readonly summary?: string;
}

let description: { openapi: string; paths: Record<string, Record<string, Operation>> };
beforeAll(async () => {
  app = await createServer({
    library: new FakeLibrary(),
    state: new RigState(() => Date.now()),
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
  });
  const answer = await app.inject({ url: '/api/openapi.json', headers: { host: 'localhost' } });
  description = answer.json();
});
afterAll(() => app.close());

test('it is valid OpenAPI 3.1', async () => {
  const result = await new Validator().validate(structuredClone(description));
  expect(result).toMatchObject({ valid: true });
  expect(description.openapi).toBe('3.1.0');
});

test('every route of the API is in it, with a summary, and no page is', () => {
  const routes = app
    .printRoutes({ commonPrefix: false, includeHooks: false })
    .split('\n')
    .flatMap((line) => /(\/\S*) \(([^)]*)\)/.exec(line)?.slice(1, 3) ?? []);
  expect(routes.length).toBeGreaterThan(0);
  const described = Object.entries(description.paths);
  expect(described.map(([path]) => path)).toContain('/api/events/{id}/export.parquet');
  expect(described.map(([path]) => path)).not.toContain('/');
  for (const [path, methods] of described) {
    for (const [method, { summary }] of Object.entries(methods)) {
      expect(summary, `${method} ${path}`).toMatch(/\.$/);
    }
  }
});
