/** The dashboards ask for what the table of measurements has, and for nothing else. */
import { describe, expect, test } from 'vitest';
import { metrics } from '../../daemon/analysis/metrics.ts';
import { measurements } from '../../daemon/publish/influx/measurements.ts';
import { dashboards, type Panel, provisioning, queriesOf } from '../support/dashboards.ts';

/** A time-series server of this kind names a series <measurement>_<field>; texts cannot be drawn. */
const tagsOf = new Map<string, readonly string[]>(
  measurements.flatMap(({ fields, name, tags }) =>
    fields.filter(({ type }) => type !== 'string').map((field) => [`${name}_${field.name}`, tags] as const),
  ),
);

/** Names of series in a query, each with the tags that its selector asks for. */
function selectors(expr: string): { name: string; tags: string[] }[] {
  return [...expr.matchAll(/\b(rig_\w+)(?:\{([^}]*)\})?/g)].map(([, name, matchers = '']) => ({
    name: name!,
    tags: [...matchers.matchAll(/(\w+)\s*(?:=~|!~|!=|=)/g)].map(([, tag]) => tag!),
  }));
}

function overlap(a: Panel['gridPos'], b: Panel['gridPos']): boolean {
  return a.x < b.x + b.w && b.x < a.x + a.w && a.y < b.y + b.h && b.y < a.y + a.h;
}

describe.each(dashboards)('dashboard $title', (dashboard) => {
  test('every series, tag and metric that it names is in the table of measurements', () => {
    const queries = queriesOf(dashboard);
    expect(queries.length).toBeGreaterThan(10);
    for (const { at, expr } of queries) {
      const found = selectors(expr);
      expect(found.length, at).toBeGreaterThan(0);
      const known = found.map(({ name }) => tagsOf.get(name));
      for (const [k, { name, tags }] of found.entries()) {
        expect(known[k], `${at}: ${name}`).toBeDefined();
        for (const tag of tags) expect(known[k], `${at}: ${name}`).toContain(tag);
      }
      const grouped = [...expr.matchAll(/by \(([^)]*)\)/g)].flatMap(([, list]) => list!.split(/,\s*/));
      for (const tag of grouped) for (const tags of known) expect(tags, at).toContain(tag);
      for (const [, metric] of expr.matchAll(/metric="(\w+)"/g)) expect(metrics, at).toHaveProperty(metric!);
    }
  });

  test('panels have numbers of their own, fit the grid of 24 and lie beside each other', () => {
    const { panels } = dashboard;
    expect(new Set(panels.map(({ id }) => id)).size).toBe(panels.length);
    for (const [k, { gridPos, title }] of panels.entries()) {
      expect(gridPos.x >= 0 && gridPos.w > 0 && gridPos.x + gridPos.w <= 24, title).toBe(true);
      for (const other of panels.slice(k + 1)) {
        expect(overlap(gridPos, other.gridPos), `${title} on ${other.title}`).toBe(false);
      }
    }
  });

  test('every panel says what it shows and asks the provisioned server', () => {
    const { datasources } = provisioning('datasources') as { datasources: { uid: string; type: string }[] };
    expect(datasources).toMatchObject([{ uid: 'tripwave-history', type: 'prometheus' }]);
    for (const { datasource, description, targets, title, type } of dashboard.panels) {
      if (type === 'row') continue;
      expect(description, title).toMatch(/\w.*\.$/s);
      expect(datasource?.uid, title).toBe(datasources[0]!.uid);
      const ids = targets!.map(({ refId }) => refId);
      expect(new Set(ids).size, title).toBe(ids.length);
    }
  });

  test('every variable in a query is declared, or one that the dashboard server has', () => {
    const declared = dashboard.templating.list.map(({ name }) => name);
    for (const { at, expr } of queriesOf(dashboard)) {
      for (const [, name] of expr.matchAll(/\$(\w+)/g)) {
        expect([...declared, '__range', '__interval'], at).toContain(name);
      }
    }
  });
});

test('the dashboards have names of their own, and are provisioned from their folder', () => {
  expect(dashboards.map(({ uid }) => uid)).toEqual(['tripwave-fleet', 'tripwave-station']);
  const { providers } = provisioning('dashboards') as { providers: object[] };
  expect(providers).toMatchObject([{ type: 'file', options: { path: '/opt/tripwave/config/dashboards' } }]);
});
