/** The description of the API, checked by an independent validator and against the routes themselves. */
import { Validator } from '@seriousme/openapi-schema-validator';
import type { FastifyInstance } from 'fastify';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { RigState } from '../../daemon/server/rig-state.ts';
import { createServer } from '../../daemon/web/app.ts';
import { LiveHub } from '../../daemon/web/live.ts';
import { FakeLibrary } from '../support/fake-library.ts';
import { swing } from '../support/synthetic-event.ts';
import { syntheticHello } from '../support/synthetic-rig.ts';

let app: FastifyInstance;
interface Operation {
  readonly summary?: string;
  readonly responses: Record<string, { readonly content?: Record<string, { readonly schema: Form }> }>;
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

/** The parts of a JSON Schema that occur here. */
interface Form {
  readonly type?: string;
  readonly const?: unknown;
  readonly anyOf?: readonly Form[];
  readonly items?: Form;
  readonly properties?: Readonly<Record<string, Form>>;
  readonly patternProperties?: Readonly<Record<string, Form>>;
  readonly additionalProperties?: Form | boolean;
}

/** Paths of values that no schema names, arrays and records taken once. */
function undescribed(value: unknown, schema: Form, path: string): string[] {
  const forms = schema.anyOf ?? [schema];
  if (forms.length > 1) {
    const all = forms.map((form) => undescribed(value, form, path));
    return all.reduce((best, each) => (each.length < best.length ? each : best));
  }
  const form = forms[0]!;
  if (Array.isArray(value)) {
    return form.type === 'array'
      ? value.slice(0, 3).flatMap((each) => undescribed(each, form.items!, `${path}[]`))
      : [path];
  }
  if (typeof value === 'object' && value !== null) {
    if (form.type !== 'object') return [path];
    return Object.entries(value).flatMap(([key, each]) => {
      const rest = typeof form.additionalProperties === 'object' ? form.additionalProperties : undefined;
      const known = form.properties?.[key] ?? Object.values(form.patternProperties ?? {})[0] ?? rest;
      return known === undefined ? [`${path}.${key}`] : undescribed(each, known, `${path}.${key}`);
    });
  }
  const kind = value === null ? 'null' : typeof value;
  const wanted = form.type === 'integer' ? 'number' : form.type;
  return kind === wanted || form.const !== undefined ? [] : [`${path}: ${kind}, not ${wanted}`];
}

test('it names every field of every answer', async () => {
  const library = new FakeLibrary();
  library.add('event-1', 1000, swing);
  const state = new RigState(() => Date.now());
  state.hello(syntheticHello);
  state.status({
    kind: 'status',
    time_s: 0,
    phase: 'running',
    tripIn_s: null,
    lines: [],
    counters: { eventsWritten: 1 },
    channels: [{ channel: 'a-outlet', class: 'good', text: '' }],
  });
  const own = await createServer({
    space: async () => ({ free_bytes: 1e9, total_bytes: 2e9 }),
    library,
    state,
    hub: new LiveHub(),
    host: '127.0.0.1',
    dashboardFolder: null,
  });
  try {
    for (const [path, asked] of [
      ['/api/rig', '/api/rig'],
      ['/api/status', '/api/status'],
      ['/api/events', '/api/events'],
      ['/api/events/{id}', '/api/events/event-1'],
      ['/api/events/{id}/trace', '/api/events/event-1/trace?points=20'],
      ['/api/events/{id}/export', '/api/events/event-1/export'],
      ['/readyz', '/readyz'],
    ] as const) {
      const answer = await own.inject({ url: asked, headers: { host: 'localhost' } });
      expect(answer.statusCode, asked).toBe(200);
      const schema = description.paths[path]!['get']!.responses['200']!.content!['application/json']!.schema;
      expect(undescribed(answer.json(), schema, path)).toEqual([]);
    }
  } finally {
    await own.close();
  }
});
